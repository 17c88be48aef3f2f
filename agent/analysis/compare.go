package analysis

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"loadscribe/agent/quantity"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// CompareError is something wrong with a query; the message says how to mend
// it.
type CompareError struct{ Field, Message string }

// Error implements error.
func (e *CompareError) Error() string { return e.Field + ": " + e.Message }

// Span is a window, half open, in Unix ms UTC.
type Span struct{ FromMS, ToMS int64 }

// Production is how much was made on a local date.
type Production struct {
	Date  string  `json:"date"` // like 2026-03-02
	Count float64 `json:"count"`
}

// CompareQuery says which periods are compared, and how. One of Machine and
// System may be named; with neither it is the first system, or the only machine.
type CompareQuery struct {
	Before, After Span
	NowMS         int64
	Machine       string
	System        string
	Model         string // one of ModelNames; empty: auto
	Peak          PeakWindow
	PeakText      string
	Production    []Production
	// Changes are the changes of the site file or its maps from the begin of the
	// first period to the end of the second.
	Changes []SettingChange
}

// SettingChange is a change of the site file or a map.
type SettingChange struct {
	Text   string // when, and what changed
	Meters bool   // of a map or an instrument: readings may not compare
}

// Comparison is two periods side by side, and what was saved. Sentences come
// first; figures with a unit "/year" are of a year of the site.
type Comparison struct {
	Kind    string `json:"kind"` // machine or system
	Subject string `json:"subject"`
	// Sentence is what is known of the saving, in one or two sentences.
	Sentence string `json:"sentence"`
	// Told is true where the saving lies further from nothing than its
	// uncertainty.
	Told     bool              `json:"told"`
	Figures  []Figure          `json:"figures"`
	Chosen   string            `json:"chosen"`
	Why      string            `json:"why"`
	Models   []ComparedModel   `json:"models"`
	Before   ComparedPeriod    `json:"before"`
	After    ComparedPeriod    `json:"after"`
	DayTypes []ComparedDayType `json:"day_types"`
	// Equal and Unequal say what was held equal and what was not.
	Equal   []string `json:"equal"`
	Unequal []string `json:"unequal"`
	// Limits say where the saving must not be used.
	Limits []string `json:"limits"`
	// Basis says which rules the words and numbers follow.
	Basis []string `json:"basis"`
}

// ComparedPeriod is what one period held.
type ComparedPeriod struct {
	From        string   `json:"from"`
	To          string   `json:"to"`
	Hours       int      `json:"hours"`    // used
	LeftOut     int      `json:"left_out"` // hours of which too little was observed
	Coverage    float64  `json:"coverage"`
	EnergyKWh   *float64 `json:"energy_kwh,omitempty"`
	AirM3       *float64 `json:"air_m3,omitempty"`
	LoadedH     float64  `json:"loaded_h"`
	UnloadedH   float64  `json:"unloaded_h"`
	PressureKPa *float64 `json:"pressure_kpa,omitempty"` // mean while it ran, gauge
	AmbientC    *float64 `json:"ambient_c,omitempty"`
	Production  *float64 `json:"production,omitempty"`
	Method      string   `json:"method"`               // of the energy
	AirMethod   string   `json:"air_method,omitempty"` // of the air
}

// ComparedDayType is one day type in both periods. Hours are those used.
type ComparedDayType struct {
	Name        string   `json:"name"`
	DaysPerYear float64  `json:"days_per_year"`
	HoursBefore int      `json:"hours_before"`
	HoursAfter  int      `json:"hours_after"`
	KWBefore    *float64 `json:"kw_before,omitempty"` // mean power
	KWAfter     *float64 `json:"kw_after,omitempty"`
	FlowBefore  *float64 `json:"flow_before,omitempty"` // mean, m³/min
	FlowAfter   *float64 `json:"flow_after,omitempty"`
}

// leastCoverage is the share of an hour that must have been observed for it to
// count, and of a day's hours for the day.
const leastCoverage = 0.95

// weekMS is the least length of a period.
const weekMS = 7 * dayMS

// comparer holds what a comparison is made of.
type comparer struct {
	q             CompareQuery
	site          *sitefile.Site
	before, after periodHours
	types         []string // day types that occur, in the order met
	perYear       map[string]float64
	production    map[int64]float64 // by date; nil: none given
	out           Comparison
	tried         []*triedModel
	chosen        *triedModel // nil: none
	air           airChanged
}

// periodHours is one period's hours and what is said of it as a whole.
type periodHours struct {
	Hours
	facts    ComparedPeriod
	relative float64  // standard uncertainty of its energy, relative
	inputs   []string // of its energy
	absent   string   // why there is no energy
	metered  bool     // a flow meter tells the air
	reckoned bool     // a machine's energy is made of a current and what was assumed or read once
}

// Compare compares two periods.
func Compare(src Source, site *sitefile.Site, q CompareQuery) (Comparison, error) {
	c := &comparer{q: q, site: site, perYear: newDayTypes(site).perYear()}
	if err := c.check(); err != nil {
		return Comparison{}, err
	}
	for _, p := range []struct {
		span Span
		into *periodHours
	}{{q.Before, &c.before}, {q.After, &c.after}} {
		var err error
		if *p.into, err = c.period(src, p.span); err != nil {
			return Comparison{}, err
		}
	}
	c.out.Before, c.out.After = c.before.facts, c.after.facts
	c.dayTypes()
	c.try()
	c.choose()
	c.say()
	return c.out, nil
}

func wrongly(field, format string, args ...any) error {
	return &CompareError{field, fmt.Sprintf(format, args...)}
}

// check refuses what cannot be meant.
func (c *comparer) check() error {
	q := &c.q
	switch {
	case q.Before.FromMS >= min(q.Before.ToMS, q.NowMS):
		return wrongly("before", "the period before is empty: give it a begin and a later end, before now")
	case q.After.FromMS >= min(q.After.ToMS, q.NowMS):
		return wrongly("after", "the period after is empty: give it a begin and a later end, and a begin before now")
	case q.After.FromMS < q.Before.FromMS:
		return wrongly("after", "the period after begins before the period before: swap them")
	case q.After.FromMS < q.Before.ToMS:
		return wrongly("before", "the periods overlap: end the one before no later than %s", stamp(q.After.FromMS))
	case q.Machine != "" && q.System != "":
		return wrongly("machine", "a machine and a system are named: name one of them")
	case q.Machine == "" && q.System == "" && len(c.site.Systems) > 0:
		q.System = c.site.Systems[0].Name
	case q.Machine == "" && q.System == "" && len(c.site.Machines) == 1:
		q.Machine = c.site.Machines[0].Name
	case q.Machine == "" && q.System == "":
		return wrongly("machine", "the site has several machines and no system: name a machine")
	}
	if err := c.known(); err != nil {
		return err
	}
	c.out.Kind, c.out.Subject = "system", q.System
	if q.Machine != "" {
		c.out.Kind, c.out.Subject = "machine", q.Machine
	}
	if err := knownModel(q.Model); err != nil {
		return err
	}
	return c.readProduction()
}

// known refuses names that the site file does not have.
func (c *comparer) known() error {
	var machines, systems []string
	for i := range c.site.Machines {
		machines = append(machines, c.site.Machines[i].Name)
	}
	for i := range c.site.Systems {
		systems = append(systems, c.site.Systems[i].Name)
	}
	if m := c.q.Machine; m != "" && !slices.Contains(machines, m) {
		return wrongly("machine", "the site file has no machine %q: use one of %s", m, strings.Join(machines, ", "))
	}
	if s := c.q.System; s != "" && !slices.Contains(systems, s) {
		return wrongly("system", "the site file has no system %q: use one of %s", s, strings.Join(systems, ", "))
	}
	return nil
}

func (c *comparer) readProduction() error {
	if len(c.q.Production) == 0 {
		if c.q.Model == modelProduction {
			return wrongly("production", "the model %q needs the production of each day", modelProduction)
		}
		return nil
	}
	c.production = map[int64]float64{}
	for _, p := range c.q.Production {
		day, err := time.Parse(time.DateOnly, p.Date)
		if err != nil {
			return wrongly("production", "%q is no date: write it like 2026-03-02", p.Date)
		}
		if !(p.Count >= 0 && p.Count < 1e15) {
			return wrongly("production", "%s: %g is no count: write zero or more", p.Date, p.Count)
		}
		at := day.Unix() / 86400
		if _, twice := c.production[at]; twice {
			return wrongly("production", "%s is there twice: keep one line for a day", p.Date)
		}
		c.production[at] = p.Count
	}
	return nil
}

// period makes the hours of one period and its figures as a whole.
func (c *comparer) period(src Source, span Span) (p periodHours, err error) {
	hq := HoursQuery{Machine: c.q.Machine, System: c.q.System, FromMS: span.FromMS, ToMS: span.ToMS, NowMS: c.q.NowMS,
		Peak: c.q.Peak, LeastCoverage: leastCoverage}
	if p.Hours, err = HoursOf(src, c.site, hq); err != nil {
		return p, err
	}
	m, err := newHourMaker(src, c.site, &hq)
	if err != nil {
		return p, err
	}
	// The window is taken in whole cells: shorter parts need raw readings that
	// may be gone.
	end := min(span.ToMS, c.q.NowMS)
	from, to := cellOf(span.FromMS+cellMS-1), cellOf(end)
	machines, subject, err := m.sheets(from, max(from, to))
	if err != nil {
		return p, err
	}
	f := ComparedPeriod{From: stamp(span.FromMS), To: stamp(end), Hours: len(p.Rows), LeftOut: p.LeftOut, Coverage: subject.coverage}
	energy := subject.figures["energy"]
	p.absent = energy.Absent
	if energy.Value != nil {
		f.EnergyKWh, f.Method = energy.Value, energy.Method
		p.inputs = energy.Inputs
		if *energy.Value > 0 {
			p.relative = *energy.Uncertainty / coverageFactor / *energy.Value
		}
	}
	if air := subject.made("air_delivered"); air.Value != nil {
		f.AirM3, f.AirMethod = air.Value, air.Method
	}
	p.reckoned = slices.ContainsFunc(machines, func(s *sheet) bool {
		return s.g.sp.energy < 0 && s.draw != nil && (s.draw.scaled || len(s.draw.spots) > 0)
	})
	p.metered = f.AirM3 != nil && metered(machines, subject)
	if v := subject.figures["pressure_mean"]; v.Value != nil {
		f.PressureKPa = v.Value
	}
	if k := ambient(machines); k != nil {
		f.AmbientC = number64(*k - quantity.ZeroCK)
	}
	for i := range p.Rows {
		f.LoadedH += p.Rows[i].LoadedS / 3600
		f.UnloadedH += p.Rows[i].UnloadedS / 3600
	}
	if c.production != nil {
		f.Production = number64(c.produced(&p.Hours))
	}
	p.facts = f
	return p, nil
}

// metered reports whether flow meters tell the air: one at the system's tap, or
// one of each machine.
func metered(machines []*sheet, subject *sheet) bool {
	if subject.g.sp.find(scan.Flow) >= 0 {
		return true
	}
	for _, m := range machines {
		if m.g.sp.find(scan.Flow) < 0 {
			return false
		}
	}
	return len(machines) > 0
}

// produced is what was made on the days that the hours touch.
func (c *comparer) produced(h *Hours) (sum float64) {
	last := int64(-1)
	for i := range h.Rows {
		if d := h.Rows[i].Date; d != last {
			sum += c.production[d]
			last = d
		}
	}
	return sum
}

// dayTypes sets the day types side by side.
func (c *comparer) dayTypes() {
	type acc struct{ joules, air, hours, airHours float64 }
	var sums [2]map[string]*acc
	for i, p := range []*periodHours{&c.before, &c.after} {
		sums[i] = map[string]*acc{}
		for k := range p.Rows {
			r := &p.Rows[k]
			a := sums[i][r.DayType]
			if a == nil {
				a = &acc{}
				sums[i][r.DayType] = a
				if sums[0][r.DayType] == nil || i == 0 {
					c.types = append(c.types, r.DayType)
				}
			}
			a.joules += r.EnergyJ
			a.hours++
			if r.AirM3 != nil {
				a.air += *r.AirM3
				a.airHours++
			}
		}
	}
	c.out.DayTypes = []ComparedDayType{}
	for _, name := range c.types {
		k := ComparedDayType{Name: name, DaysPerYear: c.perYear[name]}
		mean := func(a *acc) (hours int, kW, flow *float64) {
			if a == nil {
				return 0, nil, nil
			}
			kW = number64(a.joules / a.hours / 3600 / wattsPerKW)
			if a.airHours == a.hours {
				flow = number64(a.air / a.hours / 60)
			}
			return int(a.hours), kW, flow
		}
		k.HoursBefore, k.KWBefore, k.FlowBefore = mean(sums[0][name])
		k.HoursAfter, k.KWAfter, k.FlowAfter = mean(sums[1][name])
		c.out.DayTypes = append(c.out.DayTypes, k)
	}
}
