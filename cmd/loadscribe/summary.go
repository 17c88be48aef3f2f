package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"

	"loadscribe/agent/analysis"
	"loadscribe/agent/quantity"
	"loadscribe/agent/sitefile"
)

type summaryCmd struct {
	siteFlags
	windowFlags
	Machine string `help:"One machine only." placeholder:"NAME"`
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
	if _, _, err := w.parse(time.Now(), site); err != nil {
		return err
	}
	source, err := ask(s, site)
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
		out := json.NewEncoder(s.stdout)
		out.SetEscapeHTML(false)
		out.SetIndent("", "  ")
		return out.Encode(report)
	}
	faults, err := source.Faults(s.ctx, w)
	if err != nil {
		return err
	}
	return errors.Join(printReport(s.stdout, &report, site), printFaults(s.stdout, faults, site))
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

func printReport(out io.Writer, report *analysis.Report, site *sitefile.Site) error {
	fmt.Fprintf(out, "%s, %s to %s\n", site.Name, localTime(report.From, site), localTime(report.To, site))
	for _, note := range report.Notes {
		fmt.Fprintf(out, "note: %s\n", note)
	}
	if err := printShort(out, report, site); err != nil {
		return err
	}
	for i := range report.Machines {
		m := &report.Machines[i]
		if err := printFigures(out, "machine "+m.Machine, m.Figures, site.Units); err != nil {
			return err
		}
		if err := printTables(out, m.Tables, site.Units); err != nil {
			return err
		}
		if len(m.Remarks) > 0 {
			fmt.Fprintln(out, "  what to know of the machine:")
		}
		for _, r := range m.Remarks {
			sentence := r.Sentence
			if !strings.HasPrefix(sentence, r.About) { // else it names the figure itself
				sentence = r.About + ": " + sentence
			}
			fmt.Fprintf(out, "    %s\n", sentence)
		}
		printFindings(out, report.Machines[i].Findings, site)
	}
	for i := range report.Systems {
		s := &report.Systems[i]
		if err := printFigures(out, "system "+s.System, s.Figures, site.Units); err != nil {
			return err
		}
		if err := printTables(out, s.Tables, site.Units); err != nil {
			return err
		}
		printFindings(out, report.Systems[i].Findings, site)
	}
	if len(report.Instruments) > 0 {
		fmt.Fprintln(out, "\nthe instruments behind it, by the site file")
	}
	for i := range report.Instruments {
		fmt.Fprintf(out, "  %s; %d figures rest on it\n", &report.Instruments[i], len(report.Instruments[i].Figures))
	}
	return nil
}

// longBasis is from how many bytes on the ground of a limit stands below the
// figures, so that their lines can be read.
const longBasis = 70

func printFigures(out io.Writer, title string, figures []analysis.Figure, units quantity.System) error {
	fmt.Fprintf(out, "\n%s\n", title)
	table := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	var absent []*analysis.Figure
	var notes []string
	for i := range figures {
		f := &figures[i]
		if f.Value == nil {
			absent = append(absent, f)
			continue
		}
		value, uncertainty, unit := shownFigure(f, units)
		row := "  " + f.Name + "\t" + value + "\t" + uncertainty + "\t" + unit
		if f.Coverage != nil {
			row += fmt.Sprintf("\tobserved %.1f %%", *f.Coverage*100)
			if f.Name == "energy" && !f.AtLeast && !whole(f) {
				row += ", over the gaps by the meter's counter"
			}
		}
		said := bounds(f, units)
		if len(f.LimitBasis) > longBasis {
			notes = append(notes, f.Name+": "+f.LimitBasis)
			said = strings.Replace(said, "("+f.LimitBasis+")", fmt.Sprintf("(%d)", len(notes)), 1)
		}
		fmt.Fprintln(table, row+said)
	}
	if err := table.Flush(); err != nil {
		return err
	}
	for i, n := range notes {
		fmt.Fprintf(out, "    (%d) %s\n", i+1, n)
	}
	printAbsent(out, absent)
	printNarrower(out, figures, units)
	return nil
}

// printAbsent names what is lacking, a line for each reason. Figures of the
// other kind of subject are no lack.
func printAbsent(out io.Writer, absent []*analysis.Figure) {
	var reasons []string
	names := map[string][]string{}
	for _, f := range absent {
		if f.Absent == analysis.NotOfSystem || f.Absent == analysis.NotOfMachine {
			continue
		}
		if names[f.Absent] == nil {
			reasons = append(reasons, f.Absent)
		}
		names[f.Absent] = append(names[f.Absent], f.Name)
	}
	if len(reasons) > 0 {
		fmt.Fprintln(out, "  not to be had from this data:")
	}
	for _, why := range reasons {
		fmt.Fprintf(out, "    %s: %s\n", strings.Join(names[why], ", "), why)
	}
}

// whole reports a window of which less than a thousandth was not observed: a
// lower bound is then as good as the value.
func whole(f *analysis.Figure) bool { return f.Coverage != nil && *f.Coverage >= 0.999 }

// bounds says what else is known of a value: the most it can be, what it is
// held to and whether it keeps to that, and which hours it takes in.
func bounds(f *analysis.Figure, units quantity.System) string {
	text := ""
	if f.AtLeastWhy != "" {
		text += " (" + f.AtLeastWhy + ")"
	}
	if f.Note != "" {
		text += ", " + f.Note
	}
	switch {
	case f.AtMost == nil || whole(f):
	case *f.AtMost == *f.Value:
		text += ", no more by the controller's counter"
	default:
		text += fmt.Sprintf(", at most %.4g by the controller's counter", *f.AtMost)
	}
	if f.Limit != nil {
		limit := *f
		limit.Value, limit.Uncertainty, limit.AtLeast = f.Limit, nil, false
		shown, _, _ := shownFigure(&limit, units)
		word := "limit"
		switch {
		case f.Name == "shortest_rest" && *f.Value < *f.Limit:
			word = "UNDER the limit of"
		case f.Name == "isentropic_efficiency": // of new machines: no limit of this one
			word = "beside"
		case f.Name != "shortest_rest" && *f.Value > *f.Limit:
			word = "OVER the limit of"
		}
		text += fmt.Sprintf(", %s %s (%s)", word, shown, f.LimitBasis)
	}
	if f.Denominator != "" && (strings.HasPrefix(f.Name, "pressure_m") || strings.HasPrefix(f.Name, "pressure_p") || strings.Contains(f.Name, "_below_minimum")) {
		text += ", " + f.Denominator // which hours it is of
	}
	return text
}

// maxFindings is how many findings of the data of a machine the summary names.
const maxFindings = 30

// printFindings says what is wrong with the data themselves.
func printFindings(out io.Writer, findings []analysis.Finding, site *sitefile.Site) {
	if len(findings) == 0 {
		fmt.Fprintln(out, "  what the data themselves show: nothing missing for long, stuck, contradictory or impossible")
		return
	}
	fmt.Fprintln(out, "  what the data themselves show:")
	for i := range findings {
		f := &findings[i]
		if i == maxFindings {
			fmt.Fprintf(out, "    and %d more: --json lists all\n", len(findings)-i)
			return
		}
		fmt.Fprintf(out, "    %s, %s to %s: %s\n", f.Kind, localTime(f.From, site), localTime(f.To, site), f.Sentence)
	}
}

// shownFigure is a figure in the site's units, rounded to two figures of its
// uncertainty and to no more than four of its own; money to its hundredths.
func shownFigure(f *analysis.Figure, units quantity.System) (value, uncertainty, unit string) {
	unit, factor, offset := units.Display(f.Unit)
	v := *f.Value*factor + offset
	if unit == "s" {
		return prefixed(f, duration(v)), spread(f, func(u float64) string { return duration(u) }), ""
	}
	if unit == "1" {
		unit = ""
	}
	decimals := 3 - magnitude(v) // four figures
	switch {
	case isMoney(unit):
		decimals = 2
	case f.Uncertainty != nil && *f.Uncertainty > 0:
		decimals = min(1-magnitude(*f.Uncertainty*factor), decimals)
	case v == math.Trunc(v):
		decimals = 0
	}
	return prefixed(f, rounded(v, decimals)),
		spread(f, func(u float64) string { return rounded(u*math.Abs(factor), decimals) }), unit
}

// magnitude is the power of ten of v's first figure.
func magnitude(v float64) int {
	if v == 0 {
		return 0
	}
	return int(math.Floor(math.Log10(math.Abs(v))))
}

// rounded writes v to so many decimals; fewer than none are whole tens.
func rounded(v float64, decimals int) string {
	decimals = min(decimals, 6)
	if decimals < 0 {
		step := math.Pow10(-decimals)
		v, decimals = math.Round(v/step)*step, 0
	}
	return strings.TrimPrefix(strconv.FormatFloat(v, 'f', decimals, 64), minusZero(v, decimals))
}

// minusZero is the sign to take off a value that rounds to zero from below.
func minusZero(v float64, decimals int) string {
	if v < 0 && math.Round(v*math.Pow10(decimals)) == 0 {
		return "-"
	}
	return ""
}

func prefixed(f *analysis.Figure, value string) string {
	if f.AtLeast && (f.AtMost == nil || *f.AtMost != *f.Value) {
		return "at least " + value
	}
	return value
}

// spread is the half width; none where there is none or it is too small to show.
func spread(f *analysis.Figure, show func(float64) string) string {
	if f.Uncertainty == nil {
		return ""
	}
	if text := show(*f.Uncertainty); strings.ContainsAny(text, "123456789") {
		return "± " + text
	}
	return ""
}

// duration writes seconds as the sentences do: "2 h 5 min 3 s".
func duration(seconds float64) string {
	d := time.Duration(seconds * float64(time.Second)).Round(100 * time.Millisecond)
	switch {
	case d == 0 && seconds > 0:
		return "under 0.1 s"
	case d < time.Minute:
		return strconv.FormatFloat(d.Seconds(), 'f', -1, 64) + " s"
	}
	d = d.Round(time.Second)
	var parts []string
	for _, p := range []struct {
		n    time.Duration
		unit string
	}{{d / time.Hour, "h"}, {d % time.Hour / time.Minute, "min"}, {d % time.Minute / time.Second, "s"}} {
		if p.n > 0 || p.unit == "min" && d > time.Hour && d%time.Minute > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", p.n, p.unit))
		}
	}
	return strings.Join(parts, " ")
}

func localTime(stamp string, site *sitefile.Site) string {
	t, err := time.Parse(time.RFC3339Nano, stamp)
	if err != nil {
		return stamp
	}
	return t.In(site.Location).Format("Mon 2006-01-02 15:04:05 MST")
}
