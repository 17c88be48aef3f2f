package analysis

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"loadscribe/agent/gum"
	"loadscribe/agent/sitefile"
)

// PeriodsQuery says which two periods are set side by side, and whose. One of
// Machine and System may be named; with neither it is the first system, or the
// only machine.
type PeriodsQuery struct {
	Machine, System string
	First, Second   Span
	NowMS           int64
	// Changes are those of the site file or its maps from the begin of the earlier
	// period to the end of the later.
	Changes []SettingChange
	more    []string // figures to set side by side beside the usual ones
}

// Periods are two periods side by side. It says whether they differ by more than
// the readings can be wrong by; why they differ is not in it, nor a saving:
// Compare brings those to equal work.
type Periods struct {
	Kind     string      `json:"kind"` // machine or system
	Subject  string      `json:"subject"`
	Sentence string      `json:"sentence"`
	First    Period      `json:"first"`
	Second   Period      `json:"second"`
	Rows     []PeriodRow `json:"rows"`
	// Remarks say what makes the two unlike beside what was done in them.
	Remarks []string `json:"remarks"`
	// Command asks for the saving between them, with a baseline.
	Command     string                     `json:"command"`
	Instruments []sitefile.InstrumentFacts `json:"instruments"`
}

// Period is what one of them holds.
type Period struct {
	From     string       `json:"from"` // RFC 3339 UTC, as the figures have it
	To       string       `json:"to"`
	Days     float64      `json:"days"` // of 24 hours
	Coverage float64      `json:"coverage"`
	DayTypes []PeriodDays `json:"day_types"`
}

// PeriodDays is how many local dates of a type lie in a period.
type PeriodDays struct {
	Name string  `json:"name"`
	Days float64 `json:"days"`
}

// PeriodRow is one figure in both periods.
type PeriodRow struct {
	Name    string `json:"name"`
	Machine string `json:"machine,omitempty"` // whose it is, in a system
	// First and Second are as /figures gives them for the period.
	First  Figure `json:"first"`
	Second Figure `json:"second"`
	// FirstPerDay and SecondPerDay are what an observed day of 24 hours had, of
	// figures that add up over time: those are what is compared.
	FirstPerDay  *float64 `json:"first_per_day,omitempty"`
	SecondPerDay *float64 `json:"second_per_day,omitempty"`
	// Difference is the second less the first, of a day where there is such.
	Difference Figure `json:"difference"`
	// Share is the difference over the first; left out where that is nothing.
	Share *float64 `json:"share,omitempty"`
	// Told is true where the difference is more than it can be wrong by.
	Told bool `json:"told"`
}

// The two judgements of a difference.
const (
	moreThanWrong = "more than we can be wrong by"
	withinWrong   = "within what we can be wrong by"
)

// periodFigures are compared of the subject; addsUp tells those that are brought
// to a day.
func periodFigures() []string {
	return []string{"energy", "energy_off_shift", "energy_unloaded", "energy_cost", "peak_demand", "air_delivered", "air_demand_mean", "air_demand_peak",
		"quiet_demand", "leak_flow", "specific_power", "specific_energy", "pressure_mean", "pressure_min", "pressure_p05", "time_below_minimum"}
}

func periodMachineFigures() []string {
	return []string{"loaded_share", "duty_cycle", "mean_load_fraction", "running_time", "starts", "load_cycles", "power_loaded", "power_unloaded_settled"}
}

// ofControl reports whether a machine of this control has the figure: its load is a
// duty cycle or a fraction.
func ofControl(name string, control sitefile.Control) bool {
	return name != "duty_cycle" && name != "mean_load_fraction" || control.PartLoad() == (name == "mean_load_fraction")
}

func addsUp(name string) bool {
	switch name {
	case "energy", "energy_off_shift", "energy_unloaded", "energy_cost", "air_delivered", "time_below_minimum", "running_time", "starts", "load_cycles":
		return true
	}
	return false
}

// sides holds what both periods were computed to.
type sides struct {
	spans [2]Span
	made  [2]computed
	apart bool // the meters were changed: they share no error
	out   *Periods
}

// PeriodsOf compares two periods.
func PeriodsOf(src Source, site *sitefile.Site, q PeriodsQuery) (Periods, error) {
	kind, subject, machines, err := subjectOf(site, q.Machine, q.System)
	if err != nil {
		return Periods{}, err
	}
	switch {
	case q.First.FromMS >= min(q.First.ToMS, q.NowMS):
		return Periods{}, wrongly("first", "the first period is empty: give it a begin and a later end, before now")
	case q.Second.FromMS >= min(q.Second.ToMS, q.NowMS):
		return Periods{}, wrongly("second", "the second period is empty: give it a begin and a later end, and a begin before now")
	case q.First.FromMS < q.Second.ToMS && q.Second.FromMS < q.First.ToMS:
		return Periods{}, wrongly("second", "the periods overlap: what both hold cannot differ; end one before the other begins")
	}
	p := Periods{Kind: kind, Subject: subject, Rows: []PeriodRow{}, Remarks: []string{}}
	s := sides{spans: [2]Span{q.First, q.Second}, out: &p}
	for i, span := range s.spans {
		if s.made[i], err = computeAny(src, site, span.FromMS, span.ToMS, q.NowMS, only(kind, subject)); err != nil {
			return Periods{}, err
		}
		// As it was answered: cut at now, or widened to whole intervals.
		s.spans[i] = spanOf(&s.made[i].Report)
	}
	p.First, p.Second = s.period(0, site), s.period(1, site)
	p.Instruments = s.made[1].Instruments
	s.remark(&q)
	s.rows(machines, q.more)
	p.say()
	p.Command = s.command(site)
	return p, nil
}

func spanOf(r *Report) Span {
	return Span{msOf(r.From), msOf(r.To)}
}

// sheet is the sheet of the subject in one period.
func (s *sides) sheet(side int) *sheet {
	if s.out.Kind == "machine" {
		return s.made[side].machines[s.out.Subject]
	}
	return s.made[side].systems[s.out.Subject]
}

// period says what a period holds.
func (s *sides) period(side int, site *sitefile.Site) Period {
	span := s.spans[side]
	p := Period{From: stamp(span.FromMS), To: stamp(span.ToMS), Days: float64(span.ToMS-span.FromMS) / dayMS, Coverage: s.sheet(side).coverage, DayTypes: []PeriodDays{}}
	types := newDayTypes(site)
	for _, day := range LocalDays(site.Location, span.FromMS, span.ToMS) {
		_, _, name, _ := types.of(day.FromMS)
		at := slices.IndexFunc(p.DayTypes, func(d PeriodDays) bool { return d.Name == name })
		if at < 0 {
			p.DayTypes, at = append(p.DayTypes, PeriodDays{Name: name}), len(p.DayTypes)
		}
		p.DayTypes[at].Days += day.Share()
	}
	return p
}

// rows sets the subject's figures, and of a system those of its machines.
func (s *sides) rows(machines, more []string) {
	add := func(machine string, names []string, of func(side int) *sheet) {
		for _, name := range names {
			row := PeriodRow{Name: name, Machine: machine}
			if !ofControl(name, of(0).g.sp.control) {
				continue
			}
			if s.row(&row, of(0), of(1)) {
				s.out.Rows = append(s.out.Rows, row)
			}
		}
	}
	named := func(names []string, all bool) []string {
		for _, name := range more {
			if (all || machineOnly(name)) && !slices.Contains(names, name) && !slices.Contains(periodFigures(), name) {
				names = append(names, name)
			}
		}
		return names
	}
	add("", periodFigures(), s.sheet)
	for _, name := range machines {
		of := func(side int) *sheet { return s.made[side].machines[name] }
		if of(0) == nil || of(1) == nil {
			continue // the site file names it in the system alone
		}
		if s.out.Kind == "machine" {
			add("", named(periodMachineFigures(), true), of)
		} else {
			add(name, named(periodMachineFigures(), false), of)
		}
	}
}

// leastCompared is the observed share of a period below which nothing of it stands
// for the whole (common practice, no source).
const leastCompared = 0.5

// row sets a figure side by side; false where the subject does not have it.
func (s *sides) row(row *PeriodRow, a, b *sheet) bool {
	row.First, row.Second = a.figureOf(row.Name), b.figureOf(row.Name)
	for _, f := range []*Figure{&row.First, &row.Second} {
		if f.Absent == NotOfMachine || f.Absent == NotOfSystem {
			return false
		}
	}
	d := Figure{Name: row.Name}
	switch {
	case row.First.Value == nil:
		d.Absent = "not known in the first period: " + row.First.Absent
	case row.Second.Value == nil:
		d.Absent = "not known in the second period: " + row.Second.Absent
	default:
		for i, f := range []*Figure{&row.First, &row.Second} {
			if c := *f.Coverage; c < leastCompared && d.Absent == "" {
				d.Absent = fmt.Sprintf("of the %s period %.0f %% was observed, too little to stand for it", [2]string{"first", "second"}[i], math.Floor(100*c))
			}
		}
	}
	if row.Difference = d; d.Absent != "" {
		return true
	}
	first, second := a.valueOf(row.Name), b.valueOf(row.Name)
	method := "the second period less the first"
	if addsUp(row.Name) {
		first, second = first.Scaled(1/s.observedDays(0, &row.First)), second.Scaled(1/s.observedDays(1, &row.Second))
		row.FirstPerDay, row.SecondPerDay = number64(first.V), number64(second.V)
		method += ", each brought to a day of 24 hours of its observed time"
	}
	s.difference(row, first, second, method)
	return true
}

// observedDays is the time in days over which a figure was added up.
func (s *sides) observedDays(side int, f *Figure) float64 {
	days := float64(s.spans[side].ToMS-s.spans[side].FromMS) / dayMS
	if f.Coverage != nil && (f.AtLeast || f.Denominator != "") {
		days *= *f.Coverage
	}
	return days
}

// driftShare is the part of an instrument's error that is taken to be another in
// each period: it drifts, and what it repeats it repeats within that (assumed:
// common practice, no source).
const driftShare = 0.2

// occasion is a figure as that of one period: an instrument's error, but for what
// drifts, and what is assumed of the machine are the same unknowns in the other
// one, everything else is not.
func occasion(v gum.Value, name string, shared func(string) bool) gum.Value {
	v = v.Apart(" in the "+name+" period", shared)
	for _, input := range v.Inputs() {
		if strings.HasPrefix(input, accuracyOf) && shared(input) {
			drift := gum.New(0, float64(driftShare*v.Part(input)), "drift of the "+input+" in the "+name+" period")
			v = v.With(input, math.Sqrt(1-driftShare*driftShare)).Plus(drift)
		}
	}
	return v
}

// difference sets the second less the first: errors that both share cancel.
func (s *sides) difference(row *PeriodRow, first, second gum.Value, method string) {
	shared := func(input string) bool { return !s.apart && lasting(input) }
	both := occasion(second, "second", shared).Minus(occasion(first, "first", shared))
	var common []string
	for _, name := range first.Inputs() {
		if shared(name) && second.Part(name) != 0 {
			common = append(common, name)
		}
	}
	switch {
	case len(common) > 0:
		method += fmt.Sprintf("; the same error in both, which cancels as far as it moves both alike: %s; a %.0fth of an instrument's error is taken to have drifted (assumed)", strings.Join(common, ", "), 1/driftShare)
	case s.apart:
		method += "; a map or an instrument was changed in between, so that no error is taken to be the same in both"
	default:
		method += "; the errors of the two are taken as independent"
	}
	half := float64(coverageFactor * both.U())
	inputs := eachOnce(append(append([]string{}, row.First.Inputs...), row.Second.Inputs...))
	row.Difference = Figure{Name: row.Name, Value: number64(both.V), Unit: row.First.Unit, Uncertainty: &half, Level: stated,
		Coverage: number64(min(*row.First.Coverage, *row.Second.Coverage)), Method: method, Inputs: inputs, Budget: budget(both)}
	if first.V != 0 {
		row.Share = number64(both.V / first.V)
	}
	row.Told = math.Abs(both.V) > half
	if row.Difference.Note = withinWrong; row.Told {
		row.Difference.Note = moreThanWrong
	}
}

// lasting reports whether an input is the same unknown in every period: an
// instrument's error, a nameplate's, a volume's. What chance, weather or the
// moments of readings bring is another in each.
func lasting(input string) bool {
	for _, of := range []string{accuracyOf, ratedFlowOf, partLoadOf, delayOf, volumeOf, unnamedOf, spotLinesOf, powerFactor, packageFans} {
		if strings.HasPrefix(input, of) && !strings.HasPrefix(input, delaySeenOf) {
			return true
		}
	}
	return strings.HasPrefix(input, dropOf) && strings.HasSuffix(input, " (assumed)")
}

// figureOf is a figure of the sheet.
func (s *sheet) figureOf(name string) Figure {
	if f, ok := s.figures[name]; ok {
		return f
	}
	switch {
	case s.g.sp.system && machineOnly(name):
		return Figure{Name: name, Absent: NotOfSystem}
	case !s.g.sp.system && systemOnly(name):
		return Figure{Name: name, Absent: NotOfMachine}
	}
	return Figure{Name: name, Absent: nothingSeen}
}

// valueOf is a figure that is there with what its uncertainty comes from: of
// pressures the gauge, of others without named inputs something of its own.
func (s *sheet) valueOf(name string) gum.Value {
	if v, ok := s.values[name]; ok {
		return v
	}
	f := s.figures[name]
	if strings.HasPrefix(name, "pressure_") && s.g.sp.pressure >= 0 && f.Unit == "kPa" {
		return s.g.sp.chans[s.g.sp.pressure].value(*f.Value * pascalsPerKPa).Scaled(1 / pascalsPerKPa)
	}
	return gum.New(*f.Value, *f.Uncertainty/coverageFactor, "moments of readings of "+s.g.sp.name)
}

// say makes the sentence.
func (p *Periods) say() {
	known, told := 0, 0
	for i := range p.Rows {
		if p.Rows[i].Difference.Value != nil {
			known++
			if p.Rows[i].Told {
				told++
			}
		}
	}
	switch {
	case known == 0:
		p.Sentence = "Nothing can be compared: no figure is known well enough in both periods."
		return
	case told == 0:
		p.Sentence = fmt.Sprintf("None of %d figures differs by %s.", known, moreThanWrong)
	case told == 1:
		p.Sentence = fmt.Sprintf("One of %d figures differs by %s.", known, moreThanWrong)
	default:
		p.Sentence = fmt.Sprintf("%d of %d figures differ by %s.", told, known, moreThanWrong)
	}
	at := slices.IndexFunc(p.Rows, func(r PeriodRow) bool { return r.Name == "energy" && r.Machine == "" && r.Difference.Value != nil })
	if at < 0 {
		return
	}
	r := &p.Rows[at]
	v, word := *r.Difference.Value, "more"
	if v < 0 {
		v, word = -v, "less"
	}
	shown, pm := Rounded(v, *r.Difference.Uncertainty)
	p.Sentence += fmt.Sprintf(" Energy a day: %s ± %s kWh %s in the second period, %s.", shown, pm, word, r.Difference.Note)
}
