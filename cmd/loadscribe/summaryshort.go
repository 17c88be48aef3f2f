package main

import (
	"fmt"
	"io"
	"math"
	"strings"
	"text/tabwriter"

	"loadscribe/agent/analysis"
	"loadscribe/agent/display"
	"loadscribe/agent/sitefile"
)

// shortRows are the questions that a summary is opened for, and the figures that
// answer them, by the names under which all is told of them further down.
var shortRows = []struct {
	about   string
	figures []string
}{
	{"electricity", []string{"energy", "energy_cost", "demand_cost"}},
	{"air", []string{"air_delivered", "specific_energy", "air_cost"}},
	{"leaks", []string{"leak_flow", "leak_share", "leak_cost"}},
}

// printShort answers these questions at once, for each system, or each machine
// where the site has no system, or one machine was asked for.
func printShort(out io.Writer, report *analysis.Report, site *sitefile.Site) error {
	for i := range report.Systems {
		s := &report.Systems[i]
		if err := printShortOf(out, "system "+s.System, s.Figures, len(outagesOnce(s.Findings)), site); err != nil {
			return err
		}
	}
	if len(report.Systems) > 0 {
		return nil
	}
	for i := range report.Machines {
		m := &report.Machines[i]
		if err := printShortOf(out, "machine "+m.Machine, m.Figures, len(outagesOnce(m.Findings)), site); err != nil {
			return err
		}
	}
	return nil
}

func printShortOf(out io.Writer, subject string, figures []analysis.Figure, findings int, site *sitefile.Site) error {
	by := map[string]*analysis.Figure{}
	for i := range figures {
		by[figures[i].Name] = &figures[i]
	}
	if most := display.ObservedOf(figures); most != "" {
		subject += ", " + most
	}
	fmt.Fprintf(out, "\nin short, %s\n", subject)
	table := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	for _, row := range shortRows {
		about := row.about
		for _, name := range row.figures {
			f := by[name]
			if f == nil || f.Absent == analysis.NotOfMachine || f.Absent == analysis.NotOfSystem {
				continue
			}
			fmt.Fprintf(table, "  %s\t%s\t%s\n", about, name, shortValue(f, site))
			about = ""
		}
	}
	if err := table.Flush(); err != nil {
		return err
	}
	for _, name := range []string{"air_delivered", "leak_flow"} {
		if f := by[name]; f != nil && f.Value != nil && f.Uncertainty != nil {
			fmt.Fprint(out, surer(f))
		}
	}
	if findings > 0 {
		fmt.Fprintf(out, "  with care: of what the data themselves show, %d to be read below\n", findings)
	}
	return nil
}

// shortValue is a figure in a few words, or why there is none.
func shortValue(f *analysis.Figure, site *sitefile.Site) string {
	if f.Value == nil {
		return "not to be had: " + f.Absent
	}
	value, uncertainty, unit := display.Figure(f, site.Units)
	text := strings.Join(strings.Fields(value+" "+uncertainty+" "+unit), " ")
	if strings.HasPrefix(f.Denominator, "a year") {
		text += " a year"
	}
	if display.IsShare(f) && f.Denominator != "" {
		text += " of " + f.Denominator
	}
	if f.Note != "" {
		text += ", " + f.Note
	}
	if f.AtLeastWhy != "" {
		text += ", a lower bound, since " + f.AtLeastWhy
	}
	return text
}

// surer says what would make a wide figure surer, or that no one thing would.
func surer(f *analysis.Figure) string {
	switch {
	case *f.Value == 0:
		return "" // what was not there is not told surer
	case f.Narrower != nil:
		return fmt.Sprintf("  %s %s\n", f.Name, f.Narrower.Sentence)
	case len(f.Budget) == 0 || *f.Uncertainty <= analysis.WideShare*math.Abs(*f.Value):
		return ""
	}
	return fmt.Sprintf("  %s: no one thing would make it a quarter surer; most comes from %s, %.0f %%\n", f.Name, f.Budget[0].Input, 100*f.Budget[0].Share)
}
