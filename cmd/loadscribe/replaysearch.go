package main

import (
	"fmt"
	"strings"
	"text/tabwriter"

	"loadscribe/agent/display"
	"loadscribe/agent/replay"
)

// search writes what a search found: the best in a table, and below it how to have
// each again.
func (p *replayPrinter) search(f *replay.Front) {
	p.line("\nsearch: %s", tried(f))
	if f.Absent != "" {
		p.line("  %s", f.Absent)
		p.sentences("", f.Remarks)
		return
	}
	p.line("  those that no other beats: %d, of which %d are shown; savings are against the present settings", f.Best, len(f.Points))
	p.points(f.Points)
	said := map[string]bool{}
	once := func(before string, all []string) {
		for _, s := range all {
			if !said[before+s] {
				said[before+s] = true
				p.line("  %s%s", before, s)
			}
		}
	}
	for i := range f.Points {
		r, alike := &f.Points[i].Result, ""
		if n := f.Points[i].Alike; n > 0 {
			alike = fmt.Sprintf(" (and %d more that come to the same)", n)
		}
		flags := r.Flags
		if flags == "" {
			flags = "the present settings"
		}
		p.line("  %d: %s%s", i+1, flags, alike)
		if r.Absent != "" {
			p.line("     cannot be told: %s", r.Absent)
		}
	}
	for i := range f.Points {
		once("CAUTION: ", f.Points[i].Result.Cautions)
	}
	for _, s := range remarksByPoint(f.Points) {
		p.line("  %s", s)
	}
	once("", f.Remarks)
	once("", []string{f.Method})
}

// remarksByPoint says each remark once, with the numbers of the points it is about.
func remarksByPoint(points []replay.FrontPoint) (all []string) {
	of := map[string][]string{}
	for i := range points {
		for _, s := range points[i].Result.Remarks {
			if of[s] == nil {
				all = append(all, s)
			}
			of[s] = append(of[s], fmt.Sprint(i+1))
		}
	}
	for i, s := range all {
		if n := of[s]; len(n) < len(points) {
			all[i] = strings.Join(n, ", ") + ": " + s
		}
	}
	return all
}

// tried counts what was tried.
func tried(f *replay.Front) string {
	said := fmt.Sprintf("%d combinations tried", f.Tried)
	if f.Impossible > 0 {
		said += fmt.Sprintf(", %d of them impossible (%s)", f.Impossible, f.Example)
	}
	said += fmt.Sprintf("; %d keep every limit", f.Allowed)
	var broken []string
	for _, b := range f.Broke {
		if b.Count > 0 {
			broken = append(broken, fmt.Sprintf("%s %d", b.Limit, b.Count))
		}
	}
	if broken != nil {
		said += "; limits broken: " + strings.Join(broken, ", ")
	}
	return said
}

// points writes the table of a front.
func (p *replayPrinter) points(points []replay.FrontPoint) {
	table := tabwriter.NewWriter(p.out, 0, 0, 2, ' ', 0)
	priced := false
	for i := range points {
		priced = priced || points[i].Price != nil
	}
	head := "  \tenergy kWh\tsaved kWh\tstarts\tlowest\tcycles/h"
	if priced {
		head += "\t" + strings.TrimSpace("price "+p.currency) + "\tpays back"
	}
	fmt.Fprintln(table, head)
	notes := &noteList{}
	for i := range points {
		r := &points[i].Result
		row := fmt.Sprintf("  %d", i+1)
		for _, c := range []struct {
			a    replay.Amount
			unit string
		}{{r.Outcome.Energy, "kWh"}, {r.SavedKWh, "kWh"}, {r.Outcome.Starts, "1"}, {r.Outcome.LowestPa, "Pa"}, {r.Outcome.LoadsHour, "1/h"}} {
			shown := p.amount(c.a, c.unit)
			if c.unit != "Pa" { // the head has the unit
				shown = strings.TrimSuffix(shown, " "+c.unit)
			}
			row += "\t" + shown + notes.mark(c.a.Note)
		}
		if priced {
			price := replay.Amount{Value: points[i].Price}
			row += "\t" + strings.TrimSuffix(strings.TrimSuffix(p.amount(price, p.currency), " "+p.currency), ".00")
			row += "\t" + paysBack(&points[i])
		}
		fmt.Fprintln(table, row)
	}
	p.flush(table)
	p.notes(notes)
}

// paysBack is after how long a point has saved its price.
func paysBack(f *replay.FrontPoint) string {
	switch {
	case f.PaybackYears != nil && *f.PaybackYears == 0:
		return "at once"
	case f.PaybackYears != nil:
		return display.Rounded(*f.PaybackYears, 1) + " years"
	case f.Price == nil || f.Result.SavedYear.Value == nil:
		return "not known"
	}
	return "never"
}
