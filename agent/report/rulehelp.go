package report

import (
	"fmt"
	"math"
	"strings"

	"loadscribe/agent/analysis"
	"loadscribe/agent/display"
	"loadscribe/agent/quantity"
	"loadscribe/agent/replay"
	"loadscribe/agent/sitefile"
)

// each asks something of every machine, or of every system, in the site's order.
func (b *builder) eachMachine(ask func(i int, m *sitefile.Machine) *Finding) (all []Finding) {
	for i := range b.data.Figures.Machines {
		name := b.data.Figures.Machines[i].Machine
		if m, ok := b.data.Site.MachineByName(name); ok {
			if f := ask(i, m); f != nil {
				f.Subject = name
				all = append(all, *f)
			}
		}
	}
	return all
}

func (b *builder) eachSystem(ask func(i int, s *sitefile.System) *Finding) (all []Finding) {
	for i := range b.data.Figures.Systems {
		name := b.data.Figures.Systems[i].System
		for k := range b.data.Site.Systems {
			if s := &b.data.Site.Systems[k]; s.Name == name {
				if f := ask(i, s); f != nil {
					f.Subject = name
					all = append(all, *f)
				}
			}
		}
	}
	return all
}

// systemOf is the system that a machine feeds; empty: none.
func (b *builder) systemOf(machine string) string {
	for i := range b.data.Site.Systems {
		for _, m := range b.data.Site.Systems[i].Machines {
			if m == machine {
				return b.data.Site.Systems[i].Name
			}
		}
	}
	return ""
}

// low and high are the ends of a figure's interval; NaN where there is no figure.
func (r ref) low() float64 {
	if !r.has() {
		return math.NaN()
	}
	return *r.Value - r.half()
}

func (r ref) high() float64 {
	if !r.has() {
		return math.NaN()
	}
	return *r.Value + r.half()
}

func (r ref) half() float64 {
	if r.Uncertainty == nil {
		return 0
	}
	return *r.Uncertainty
}

// line is evidence: what it is, and the figure with what must be read with it.
func (b *builder) line(what string, r ref) Text {
	t := say(what+": ", b.figure(r))
	if r.has() && r.Note != "" {
		t = append(t, Run{Text: " (" + r.Note + ")"})
	}
	return t
}

// limit is a line with what the figure is held to.
func (b *builder) limit(what string, r ref) Text {
	t := b.line(what, r)
	if r.Limit == nil {
		return t
	}
	at := *r.Figure
	at.Value, at.Uncertainty, at.AtLeast = r.Limit, nil, false
	shown, _, unit, _ := display.Interval(&at, b.data.Site.Units)
	return append(t, Run{Text: "; held to "}, Run{Text: shown, At: r.at + "/limit", Value: r.Limit}, Run{Text: strings.TrimRight(" "+unit, " ") + " (" + r.LimitBasis + ")"})
}

// lines are those of the figures that are there.
func (b *builder) lines(of func(name string) ref, pairs ...string) (all []Text) {
	for i := 0; i+1 < len(pairs); i += 2 {
		if r := of(pairs[i+1]); r.has() {
			all = append(all, b.line(pairs[i], r))
		}
	}
	return all
}

func (b *builder) machineFigures(i int) func(string) ref {
	return func(name string) ref { return b.ofMachine(i, name) }
}

func (b *builder) systemFigures(i int) func(string) ref {
	return func(name string) ref { return b.ofSystem(i, name) }
}

// shown is a setting of the site file in its units; no figure.
func (b *builder) shown(si float64, d quantity.Dimension) string {
	return quantity.Format(si, d, b.data.Site.Units)
}

// shareOf is the least that one figure is of another, each at the worse end of its
// interval where they do not rest on one instrument; here both do, so the values count.
func shareOf(part, whole ref) float64 {
	if !part.has() || !whole.has() || *whole.Value <= 0 {
		return 0
	}
	return *part.Value / *whole.Value
}

// replayed is the alternative that changes nothing but the given keys, as "no_load_stop"
// of a machine or "volume" of a plant; nil where none was played, where the replay meets
// what was measured poorly, or where nothing would be saved. Of several the one counts
// that surely saves most.
func (b *builder) replayed(system, machine string, keys ...string) (best *replay.Result, effect *Effect) {
	for i := range b.data.Replays {
		a := &b.data.Replays[i]
		if a.System != system || a.Absent != "" || a.Fit.Poor {
			continue
		}
		for k := range a.Results {
			r := &a.Results[k]
			if r.Absent != "" || !changesOnly(r.Set, machine, keys) {
				continue
			}
			if e := effectOf(a, r); e != nil && (best == nil || surer(e, effect)) {
				best, effect = r, e
			}
		}
	}
	return best, effect
}

func (b *builder) byReplay(system, machine string, keys ...string) *Effect {
	_, e := b.replayed(system, machine, keys...)
	return e
}

// surely is the share of the measured energy that an alternative saves at least; 0:
// none for sure.
func surely(r *replay.Result) float64 {
	if r == nil || r.SavedShare.Value == nil || r.SavedShare.Interval == nil {
		return 0
	}
	return max(0, *r.SavedShare.Value-*r.SavedShare.Interval)
}

func changesOnly(set []replay.Setting, machine string, keys []string) bool {
	for _, s := range set {
		found := false
		for _, key := range keys {
			found = found || s.Key == key || s.Key == machine+"."+key || machine == "" && strings.HasSuffix(s.Key, "."+key)
		}
		if !found {
			return false
		}
	}
	return len(set) > 0
}

// effectOf is a result as an effect of a year; nil where it would save nothing.
func effectOf(a *replay.Answer, r *replay.Result) *Effect {
	e := &Effect{
		EnergyKWh: amountOf(r.SavedKWhYear), Money: amountOf(r.SavedYear), Assumes: r.AssumesYear, By: r.Name,
		How: fmt.Sprintf("by replay of %q: %s", r.Name, strings.Join(flat(r.Set), ", ")),
	}
	if e.Money != nil {
		e.Currency = a.Currency
	}
	if e.Money == nil && e.EnergyKWh == nil || e.Money != nil && e.Money.Value <= 0 || e.Money == nil && e.EnergyKWh.Value <= 0 {
		return nil
	}
	return e
}

func amountOf(a replay.Amount) *Amount {
	if a.Value == nil {
		return nil
	}
	return &Amount{Value: *a.Value, Half: a.Interval}
}

func flat(set []replay.Setting) []string {
	all := make([]string, len(set))
	for i, s := range set {
		all[i] = s.Key + " = " + s.Value
	}
	return all
}

// surer compares by money, and by energy where there is no tariff.
func surer(a, b *Effect) bool {
	if a.Money == nil || b.Money == nil {
		return lowEnd(a.EnergyKWh) > lowEnd(b.EnergyKWh)
	}
	return lowEnd(a.Money) > lowEnd(b.Money)
}

// byFigure is the effect of a share of a figure that is a year's money.
func byFigure(r ref, share float64, by, assumes, how string) *Effect {
	if !r.has() || *r.Value <= 0 {
		return nil
	}
	a := &Amount{Value: share * *r.Value}
	if r.Uncertainty != nil {
		half := share * *r.Uncertainty
		a.Half = &half
	}
	return &Effect{Money: a, Currency: r.Unit, By: by, Assumes: assumes, How: how}
}

// played reports whether a setting of the given keys alone was played, well enough to
// tell what it brings: where it was and there is no effect, it would save nothing.
func (b *builder) played(system, machine string, keys ...string) bool {
	for i := range b.data.Replays {
		a := &b.data.Replays[i]
		if a.System != system || a.Absent != "" || a.Fit.Poor {
			continue
		}
		for k := range a.Results {
			if a.Results[k].Absent == "" && changesOnly(a.Results[k].Set, machine, keys) {
				return true
			}
		}
	}
	return false
}

// costOf is what figures of a year say that something takes; nil: they do not.
func costOf(money, energy ref) *Cost {
	amount := func(r ref) *Amount {
		if !r.has() || *r.Value <= 0 {
			return nil
		}
		return &Amount{Value: *r.Value, Half: r.Uncertainty}
	}
	c := &Cost{EnergyKWh: amount(energy), Money: amount(money)}
	if c.Money != nil {
		c.Currency = money.Unit
	}
	if c.Money == nil && c.EnergyKWh == nil {
		return nil
	}
	return c
}

// tableOfMachine and tableOfSystem find a table of the i-th and where it stands; nil:
// there is none.
func (b *builder) tableOfMachine(i int, name string) (*analysis.Table, string) {
	return tableOf(b.data.Figures.Machines[i].Tables, fmt.Sprintf("/data/figures/machines/%d", i), name)
}

func (b *builder) tableOfSystem(i int, name string) (*analysis.Table, string) {
	return tableOf(b.data.Figures.Systems[i].Tables, fmt.Sprintf("/data/figures/systems/%d", i), name)
}

func tableOf(tables []analysis.Table, under, name string) (*analysis.Table, string) {
	for i := range tables {
		if tables[i].Name == name {
			return &tables[i], fmt.Sprintf("%s/tables/%d", under, i)
		}
	}
	return nil, ""
}

// value shows one value of a table with its unit.
func (b *builder) value(t *analysis.Table, at string, row, column int) Text {
	v := t.Rows[row].Values[column]
	if v == nil {
		return say("not told")
	}
	c := &t.Columns[column]
	unit, _, _ := b.data.Site.Units.Display(c.Unit)
	if unit == "1" || unit == "s" {
		unit = ""
	}
	return Text{{Text: display.Cell(v, c, b.data.Site.Units), At: fmt.Sprintf("%s/rows/%d/values/%d", at, row, column), Value: v},
		{Text: strings.TrimRight(" "+unit, " ")}}
}
