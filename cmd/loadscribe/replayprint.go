package main

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"text/tabwriter"

	"loadscribe/agent/replay"
	"loadscribe/agent/sitefile"
)

// replayPrinter writes a replay for people and keeps the first error.
type replayPrinter struct {
	comparePrinter
	currency string
}

// printReplay writes a whole replay: how well it meets what happened before anything
// that rests on it.
func printReplay(out io.Writer, a *replay.Answer, site *sitefile.Site) error {
	w := &wrapWriter{out: out, columns: replayColumns}
	p := &replayPrinter{comparePrinter{out: w, site: site}, a.Currency}
	p.line("%s, system %s: the same air with other settings", site.Name, a.System)
	p.line("%s to %s, %.1f %% of it replayed", localTime(a.From, site), localTime(a.To, site), 100*a.Coverage)
	if a.Absent != "" {
		p.line("\nNothing can be replayed: %s", a.Absent)
		p.list("remarks", a.Remarks)
		return errors.Join(p.err, w.Close())
	}
	p.fit(a)
	for i := range a.Results {
		p.alternative(a, i)
	}
	if a.Search != nil {
		p.search(a.Search)
	} else if len(a.Results) == 0 {
		p.line("\nNo alternative was asked for: name one with --set, like --set \"comp1.cut_out=112 psi\", or --changes FILE.")
	}
	remarks := slices.DeleteFunc(slices.Clone(a.Remarks), func(r string) bool { return r == a.Fit.Words }) // told above
	told := slices.ContainsFunc(remarks, func(r string) bool { return strings.Contains(r, a.Resolution) })
	if !told {
		remarks = append(remarks, "the demand: "+a.Resolution)
	}
	p.list("what to know of this replay", remarks)
	p.calibration(a)
	if a.Method != "" {
		p.list("how", []string{saidAbove(a)})
	}
	if len(a.Inputs) > 0 {
		p.list("inputs", []string{strings.Join(a.Inputs, ", ")})
	}
	return errors.Join(p.err, w.Close())
}

// saidAbove is the method without what the list before it has told already at length.
func saidAbove(a *replay.Answer) string {
	said := a.Method
	for i := range a.Calibrated {
		if c := &a.Calibrated[i]; len(c.Basis) > replayColumns/2 {
			said = strings.ReplaceAll(said, c.Basis, "what is told above of the "+c.Name)
		}
	}
	return said
}

// replayColumns is how wide a replay's text and tables are at most.
const replayColumns = 100

// fit writes what was measured beside the replay with the present settings.
func (p *replayPrinter) fit(a *replay.Answer) {
	if a.Fit.Poor {
		p.line("\nCAUTION: THE REPLAY DOES NOT MEET WHAT HAPPENED.\n%s", a.Fit.Words)
	}
	p.line("\nmeasured, and replayed with the present settings")
	table := tabwriter.NewWriter(p.out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(table, "  \tmeasured\treplayed\toff")
	notes := &noteList{}
	for _, r := range p.rows() {
		measured := r.in(&a.Measured)
		if r.played || r.skip(&measured, &measured) {
			continue
		}
		replayed, off := "", ""
		if r.raw != nil && measured.Value != nil {
			raw := plain(r.raw(&a.Fit, *measured.Value))
			replayed, off = p.amount(raw, r.unit), p.off(&r, &measured, &raw)
		}
		fmt.Fprintf(table, "  %s\t%s%s\t%s\t%s\n", r.name, p.amount(measured, r.unit), notes.mark(measured.Note), replayed, off)
	}
	rms := a.Fit.PressureRMSPa
	fmt.Fprintf(table, "  pressure, minute by minute\t\t\t%s (rms)\n", p.amount(replay.Amount{Value: &rms}, "Pa"))
	p.flush(table)
	p.notes(notes)
	if a.Fit.Words != "" && !a.Fit.Poor {
		p.line("  %s", a.Fit.Words)
	}
	p.machines(&a.Measured)
	p.line("  What follows is brought to what was measured. ± is meant to hold the truth 19 times in 20; what the replay misses is in it.")
}

// alternative writes one alternative beside the present settings.
func (p *replayPrinter) alternative(a *replay.Answer, i int) {
	r := &a.Results[i]
	p.line("\nalternative %d: %s", i+1, cmp.Or(r.Name, "as set"))
	for _, s := range r.Set {
		p.line("  %s = %s", s.Key, s.Value)
	}
	if r.Absent != "" {
		p.line("  cannot be told: %s", r.Absent)
		p.sentences("CAUTION: ", r.Cautions)
		p.sentences("", r.Remarks)
		return
	}
	// No saving is one that leaves users without air: that comes first.
	short := func(s string) bool { return strings.HasPrefix(s, replay.ShortOfAir) }
	p.sentences("", slices.DeleteFunc(slices.Clone(r.Remarks), func(s string) bool { return !short(s) }))
	p.saving(r)
	p.sentences("", slices.DeleteFunc(slices.Clone(r.Remarks), short))
	p.sentences("CAUTION: ", r.Cautions)
	table := tabwriter.NewWriter(p.out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(table, "  \tpresent settings\tthis alternative\tchange")
	notes := &noteList{}
	for _, row := range p.rows() {
		present, other := row.in(&a.Present), row.in(&r.Outcome)
		if row.skip(&present, &other) {
			continue
		}
		fmt.Fprintf(table, "  %s\t%s%s\t%s%s\t%s\n", row.name, p.amount(present, row.unit), notes.mark(present.Note),
			p.amount(other, row.unit), notes.mark(other.Note), p.off(&row, &present, &other))
	}
	p.flush(table)
	p.notes(notes)
	p.machines(&r.Outcome)
	p.budget(r)
	if r.Flags != "" {
		p.line("  the same again: %s", r.Flags)
	}
}

// sentences writes each under the alternative.
func (p *replayPrinter) sentences(before string, all []string) {
	for _, s := range all {
		p.line("  %s%s", before, s)
	}
}

// saving writes the answer in one line.
func (p *replayPrinter) saving(r *replay.Result) {
	if r.SavedKWh.Value == nil {
		p.line("  saving: not known%s", noted(r.SavedKWh.Note))
		return
	}
	said := []string{p.amount(r.SavedKWh, "kWh")}
	if s := r.SavedShare; s.Value != nil {
		v, half := 100**s.Value, (*float64)(nil)
		if s.Interval != nil {
			h := 100 * *s.Interval
			half = &h
		}
		value, spread, _ := p.pair(v, half, "%")
		said[0] += ", " + joined(value, spread, "%") + " of the energy"
	}
	if r.SavedCost.Value != nil {
		said = append(said, p.amount(r.SavedCost, p.currency))
	}
	if r.SavedKg.Value != nil {
		said = append(said, p.amount(r.SavedKg, "kg"))
	}
	if half := r.SavedKWh.Interval; *r.SavedKWh.Value < 0 && (half == nil || *r.SavedKWh.Value < -*half) {
		p.line("  It takes MORE energy than the present settings; a saving below zero is a loss.")
	}
	p.line("  saves %s, over what was replayed%s", strings.Join(said, "; "), noted(r.SavedKWh.Note))
	if y := r.SavedYear; y.Value != nil {
		p.line("  in a year %s%s", p.amount(y, p.currency), noted(r.AssumesYear))
	} else if y := r.SavedKWhYear; y.Value != nil {
		p.line("  in a year %s%s", p.amount(y, "kWh"), noted(r.AssumesYear))
	}
}

func noted(note string) string {
	if note == "" {
		return ""
	}
	return " (" + note + ")"
}

// budget says where the interval of the saving comes from.
func (p *replayPrinter) budget(r *replay.Result) {
	if len(r.Budget) == 0 {
		return
	}
	var parts []string
	for _, b := range r.Budget {
		parts = append(parts, fmt.Sprintf("%s %.0f %%", b.Input, 100*b.Share))
	}
	p.line("  the interval of the saving comes from: %s", strings.Join(parts, ", "))
}

// machines writes what each machine did, by state.
func (p *replayPrinter) machines(o *replay.Outcome) {
	for i := range o.Machines {
		m := &o.Machines[i]
		var states []string
		for _, s := range replayStates {
			seconds, kWh := m.StateS[s], m.StateKWh[s]
			if seconds < 0.5 && kWh < 0.05 { // the ends of runs
				continue
			}
			said := s + " " + lasted(math.Round(seconds))
			if kWh != 0 {
				value, _, unit := p.pair(kWh, nil, "kWh")
				said += " with " + value + " " + unit
			}
			states = append(states, said)
		}
		if states == nil {
			states = []string{"never used"}
		}
		p.line("  %s: %s", m.Machine, strings.Join(states, "; "))
	}
}

// replayStates are the states as they are told, in this order.
var replayStates = []string{"loaded", "part-load", "unloaded", "starting", "stopped", "standby", "off", "tripped", "unobserved"}

// calibration writes what the replay rests on.
func (p *replayPrinter) calibration(a *replay.Answer) {
	if len(a.Calibrated) == 0 {
		return
	}
	p.line("\nwhat it rests on, of this record and the site file")
	for i := range a.Calibrated {
		c := &a.Calibrated[i]
		said := c.Name
		if c.Machine != "" {
			said = c.Machine + ", " + said
		}
		value, half, unit := p.pair(c.Value, &c.Uncertainty, c.Unit)
		said += ": " + joined(value, half, unit)
		if c.Basis != "" {
			said += "; " + c.Basis
		}
		p.line("  %s", said)
	}
}

// noteList numbers the notes of a table, each once.
type noteList struct{ all []string }

func (l *noteList) mark(note string) string {
	if note == "" {
		return ""
	}
	i := slices.Index(l.all, note)
	if i < 0 {
		i = len(l.all)
		l.all = append(l.all, note)
	}
	return fmt.Sprintf(" (%d)", i+1)
}

func (p *replayPrinter) notes(l *noteList) {
	for i, n := range l.all {
		p.line("    (%d) %s", i+1, n)
	}
}
