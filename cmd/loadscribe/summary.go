package main

import (
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"time"

	"loadscribe/agent/analysis"
	"loadscribe/agent/sitefile"
)

type summaryCmd struct {
	siteFlags
	windowFlags
	Machine string `help:"One machine only." placeholder:"NAME"`
	Tables  bool   `help:"Print long tables too, such as the demand of each hour of the week."`
	JSON    bool   `help:"Print the JSON of /api/v1/figures."`
}

func (c *summaryCmd) Run(s *surroundings) error {
	site, err := c.load()
	if err != nil {
		return err
	}
	if _, ok := site.MachineByName(c.Machine); c.Machine != "" && !ok {
		return unknownMachine(c.Machine, site)
	}
	w := c.window()
	source, err := askFor(s, site, w)
	if err != nil {
		return err
	}
	defer source.Close()
	report, err := source.Figures(s.ctx, w, c.Machine)
	if err != nil {
		return err
	}
	if report.From >= report.To {
		return misuse{fmt.Errorf("--from %s: nothing has been recorded so late; give an earlier time", c.From)}
	}
	if c.JSON {
		return printJSON(s.stdout, report)
	}
	faults, err := source.Faults(s.ctx, w)
	if err != nil {
		return err
	}
	out := &wrapWriter{out: s.stdout}
	printed := reportPrinter{out: out, site: site, tables: tablePrinter{out: out, units: site.Units, long: c.Tables}}
	err = printed.print(&report)
	if report.Observed() {
		err = errors.Join(err, printFaults(out, faults, site))
		printed.tables.leftOut()
	}
	return errors.Join(err, out.Close())
}

func unknownMachine(name string, site *sitefile.Site) error {
	if len(site.Machines) == 0 {
		return misuse{fmt.Errorf("--machine %q: the site file has no [[machine]]; add one to have its figures", name)}
	}
	known := make([]string, len(site.Machines))
	for i := range site.Machines {
		known[i] = site.Machines[i].Name
	}
	return misuse{fmt.Errorf("--machine %q: the site file has no machine of that name; write one of %s", name, strings.Join(known, ", "))}
}

// reportPrinter writes a report for people.
type reportPrinter struct {
	out    io.Writer
	site   *sitefile.Site
	tables tablePrinter
}

func (p *reportPrinter) print(report *analysis.Report) error {
	fmt.Fprintf(p.out, "%s, %s to %s\n", p.site.Name, localTime(report.From, p.site), localTime(report.To, p.site))
	for _, note := range report.Notes {
		fmt.Fprintf(p.out, "note: %s\n", note)
	}
	if !report.Observed() {
		return nil // the note says from when to when the record runs
	}
	if err := printShort(p.out, report, p.site); err != nil {
		return err
	}
	for i := range report.Machines {
		m := &report.Machines[i]
		if err := p.section("machine "+m.Machine, m.Figures, m.Tables); err != nil {
			return err
		}
		if len(m.Remarks) > 0 {
			fmt.Fprintln(p.out, "  what to know of the machine:")
		}
		for _, r := range m.Remarks {
			sentence := r.Sentence
			if !strings.HasPrefix(sentence, r.About) { // else it names the figure itself
				sentence = r.About + ": " + sentence
			}
			fmt.Fprintf(p.out, "    %s\n", sentence)
		}
		printFindings(p.out, m.Findings, p.site)
	}
	for i := range report.Systems {
		s := &report.Systems[i]
		figures, tables, same := s.Figures, s.Tables, []string(nil)
		if len(report.Machines) == 1 && len(report.Systems) == 1 {
			figures, tables, same = beside(s, &report.Machines[0])
		}
		if err := p.section("system "+s.System, figures, tables); err != nil {
			return err
		}
		if len(same) > 0 {
			fmt.Fprintf(p.out, "  the same as of machine %s, its only one: %s\n", report.Machines[0].Machine, strings.Join(same, ", "))
		}
		printFindings(p.out, s.Findings, p.site)
	}
	if len(report.Instruments) > 0 {
		fmt.Fprintln(p.out, "\nthe instruments behind it, by the site file")
	}
	for i := range report.Instruments {
		fmt.Fprintf(p.out, "  %s; %d figures rest on it\n", &report.Instruments[i], len(report.Instruments[i].Figures))
	}
	return nil
}

func (p *reportPrinter) section(title string, figures []analysis.Figure, tables []analysis.Table) error {
	if err := printFigures(p.out, title, figures, p.site.Units); err != nil {
		return err
	}
	return p.tables.print(tables)
}

// beside is what a system has beside the only machine, and the names of what both
// have alike.
func beside(s *analysis.SystemFigures, m *analysis.MachineFigures) (figures []analysis.Figure, tables []analysis.Table, same []string) {
	of := map[string]analysis.Figure{}
	for _, f := range m.Figures {
		of[f.Name] = f
	}
	for _, f := range s.Figures {
		switch one, ok := of[f.Name]; {
		case !ok || f.Absent != one.Absent || f.Note != one.Note || !alike(f.Value, one.Value) || !alike(f.Uncertainty, one.Uncertainty) || !alike(f.Coverage, one.Coverage):
			figures = append(figures, f)
		case f.Value != nil:
			same = append(same, f.Name)
		}
	}
	for _, t := range s.Tables {
		if slices.ContainsFunc(m.Tables, func(one analysis.Table) bool {
			return one.Name == t.Name && slices.Equal(one.Columns, t.Columns) && slices.EqualFunc(one.Rows, t.Rows, func(a, z analysis.Row) bool {
				return a.Name == z.Name && a.Note == z.Note && slices.EqualFunc(a.Values, z.Values, alike)
			})
		}) {
			same = append(same, t.Name)
			continue
		}
		tables = append(tables, t)
	}
	return figures, tables, same
}

// alike reports the same number, but for what is left of another order of a sum.
func alike(a, z *float64) bool {
	if a == nil || z == nil {
		return a == z
	}
	return math.Abs(*a-*z) <= 1e-9*math.Abs(*a)
}

func localTime(stamp string, site *sitefile.Site) string {
	t, err := time.Parse(time.RFC3339Nano, stamp)
	if err != nil {
		return stamp
	}
	return t.In(site.Location).Format("Mon 2006-01-02 15:04:05 MST")
}
