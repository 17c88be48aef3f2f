package main

import (
	"fmt"
	"io"
	"strings"
	"text/tabwriter"

	"loadscribe/agent/analysis"
	"loadscribe/agent/display"
	"loadscribe/agent/quantity"
)

// longBasis is from how many bytes on the ground of a limit stands below the
// figures, so that their lines can be read.
const longBasis = 70

// printFigures writes a line for each figure. How much of the window was observed is
// said once, and again where a figure's part is another.
func printFigures(out io.Writer, title string, figures []analysis.Figure, units quantity.System) error {
	most := display.ObservedOf(figures)
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
		value, uncertainty, unit := display.Figure(f, units)
		row := "  " + f.Name + "\t" + value + "\t" + uncertainty + "\t" + unit
		said := display.Bounds(f, units)
		if own := display.Observed(f); own != most && own != "" {
			said = append([]string{own}, said...)
		}
		if f.Name == "energy" && f.Coverage != nil && !f.AtLeast && !display.Whole(f) {
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

// printAbsent names what is lacking, a line for each reason. Figures of the
// other kind of subject are no lack.
func printAbsent(out io.Writer, absent []*analysis.Figure) {
	var reasons []string
	names := map[string][]string{}
	for _, f := range absent {
		if analysis.NoLack(f.Absent) {
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
