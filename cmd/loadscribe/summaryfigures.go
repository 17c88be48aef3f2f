package main

import (
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"

	"loadscribe/agent/analysis"
	"loadscribe/agent/quantity"
)

// longBasis is from how many bytes on the ground of a limit stands below the
// figures, so that their lines can be read.
const longBasis = 70

// printFigures writes a line for each figure. How much of the window was observed is
// said once, and again where a figure's part is another.
func printFigures(out io.Writer, title string, figures []analysis.Figure, units quantity.System) error {
	most := observedOf(figures)
	if most != "" {
		title += ", " + most
	}
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
		said := bounds(f, units)
		if own := observed(f); own != most && own != "" {
			said = append([]string{own}, said...)
		}
		if f.Name == "energy" && f.Coverage != nil && !f.AtLeast && !whole(f) {
			said = append(said, "over the gaps by the meter's counter")
		}
		line := strings.Join(said, ", ")
		if len(f.LimitBasis) > longBasis {
			notes = append(notes, f.Name+": "+f.LimitBasis)
			line = strings.Replace(line, "("+f.LimitBasis+")", fmt.Sprintf("(%d)", len(notes)), 1)
		}
		if line != "" {
			row += "\t" + line
		}
		fmt.Fprintln(table, row)
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

// observed is which part of the window a figure is of.
func observed(f *analysis.Figure) string {
	if f.Coverage == nil {
		return ""
	}
	return fmt.Sprintf("observed %.1f %%", *f.Coverage*100)
}

// observedOf is that of most figures.
func observedOf(figures []analysis.Figure) (most string) {
	times := map[string]int{}
	for i := range figures {
		own := observed(&figures[i])
		if own == "" {
			continue
		}
		if times[own]++; times[own] > times[most] {
			most = own
		}
	}
	return most
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

// bounds says what else is known of a value: what a share is of, what it refers to,
// the most it can be, what it is held to and whether it keeps to that, and which hours
// it takes in.
func bounds(f *analysis.Figure, units quantity.System) (said []string) {
	if isShare(f) && f.Denominator != "" {
		said = append(said, "of "+f.Denominator)
	}
	if f.Note != "" {
		said = append(said, f.Note)
	}
	if f.AtLeastWhy != "" {
		said = append(said, "a lower bound, since "+f.AtLeastWhy)
	}
	switch {
	case f.AtMost == nil || whole(f):
	case *f.AtMost == *f.Value:
		said = append(said, "no more by the controller's counter")
	default:
		said = append(said, fmt.Sprintf("at most %.4g by the controller's counter", *f.AtMost))
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
		said = append(said, fmt.Sprintf("%s %s (%s)", word, shown, f.LimitBasis))
	}
	if f.Denominator != "" && (strings.HasPrefix(f.Name, "pressure_m") || strings.HasPrefix(f.Name, "pressure_p") || strings.Contains(f.Name, "_below_minimum")) {
		said = append(said, f.Denominator) // which hours it is of
	}
	return said
}

// isShare reports a part of a whole, which is read in per cent.
func isShare(f *analysis.Figure) bool {
	switch f.Name {
	case "duty_cycle", "loaded_share", "mean_load_fraction", "leak_share", "water_risk_share", "saving_share":
		return true
	}
	return false
}

// shownFigure is a figure in the site's units, rounded to two figures of its
// uncertainty and to no more than four of its own; money to its hundredths.
func shownFigure(f *analysis.Figure, units quantity.System) (value, uncertainty, unit string) {
	value, uncertainty, unit, ends := shownInterval(f, units)
	if ends != "" {
		uncertainty = "(" + ends + ")"
	}
	return value, uncertainty, unit
}

// shownInterval also gives the interval's ends, where it would reach below nothing, of
// what cannot be less: cut there.
func shownInterval(f *analysis.Figure, units quantity.System) (value, uncertainty, unit, ends string) {
	unit, factor, offset := units.Display(f.Unit)
	if isShare(f) {
		unit, factor = "%", 100
	}
	v := *f.Value*factor + offset
	if unit == "s" {
		uncertainty, ends = spread(f, duration, duration)
		return prefixed(f, duration(v)), uncertainty, "", ends
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
	uncertainty, ends = spread(f, func(u float64) string { return rounded(u*math.Abs(factor), decimals) },
		func(most float64) string { return rounded(most*factor, decimals) })
	return prefixed(f, rounded(v, decimals)), uncertainty, unit, ends
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

// spread is the half width, where there is one that is not too small to show, and the
// interval's ends where it is to be given by these.
func spread(f *analysis.Figure, show, end func(float64) string) (half, ends string) {
	if f.Uncertainty == nil {
		return "", ""
	}
	text := show(*f.Uncertainty)
	if !strings.ContainsAny(text, "123456789") {
		return "", ""
	}
	if *f.Uncertainty > *f.Value && *f.Value >= 0 && neverNegative(f) {
		ends = "0 to " + end(*f.Value+*f.Uncertainty)
	}
	return "± " + text, ends
}

// neverNegative reports what cannot be below nothing: times, shares, numbers, flows,
// energy and what follows from them; not what was saved, nor temperatures.
func neverNegative(f *analysis.Figure) bool {
	if strings.Contains(f.Name, "saved") || strings.Contains(f.Name, "saving") {
		return false
	}
	switch f.Unit {
	case "s", "1", "%", "1/h", "m³/min", "m³", "kWh", "kW", "kg", "kPa":
		return true
	}
	return isMoney(f.Unit)
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
