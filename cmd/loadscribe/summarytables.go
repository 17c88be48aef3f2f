package main

import (
	"fmt"
	"io"
	"strconv"
	"strings"
	"text/tabwriter"

	"loadscribe/agent/analysis"
	"loadscribe/agent/display"
	"loadscribe/agent/quantity"
)

// longTable is from how many rows on a table is only printed where it is asked for.
const longTable = 17

// tablePrinter writes tables as people read them: a line for each row, its note
// below the table. It keeps the names of the long ones that it leaves out.
type tablePrinter struct {
	out   io.Writer
	units quantity.System
	long  bool // print them
	left  []string
}

func (p *tablePrinter) print(tables []analysis.Table) error {
	for i := range tables {
		t := &tables[i]
		if _, one := display.Throughout(t); !p.long && !one && len(t.Rows) >= longTable {
			p.left = append(p.left, fmt.Sprintf("%s (%d rows)", t.Name, len(t.Rows)))
			continue
		}
		if err := printTable(p.out, t, p.units); err != nil {
			return err
		}
	}
	return nil
}

// leftOut says what was left out, and how to have it.
func (p *tablePrinter) leftOut() {
	if len(p.left) > 0 {
		fmt.Fprintf(p.out, "\nlong tables left out, which --tables prints: %s\n", strings.Join(p.left, ", "))
	}
}

func printTable(out io.Writer, t *analysis.Table, units quantity.System) error {
	if one, ok := display.Throughout(t); ok {
		_, err := fmt.Fprintf(out, "  %s: %s throughout\n", t.Name, display.Cell(one, &t.Columns[0], units))
		return err
	}
	fmt.Fprintf(out, "  %s\n", t.Name)
	table := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	head := "    "
	for _, c := range t.Columns {
		unit, _, _ := units.Display(c.Unit)
		if unit == "1" || unit == "s" {
			head += "\t" + c.Name
		} else {
			head += "\t" + c.Name + " [" + unit + "]"
		}
	}
	fmt.Fprintln(table, head)
	var notes []string
	decimals := display.FlowDecimals(t, units)
	for _, r := range t.Rows {
		line, value, spread := "    "+r.Name, "", ""
		for i, v := range r.Values {
			c := &t.Columns[i]
			switch u := display.UncertaintyOf(t, r.Values, i); {
			case v != nil && u != nil:
				value, spread = display.Pair(v, u, c, units)
				line += "\t" + value
			case display.IsSpread(c) && spread != "":
				line, spread = line+"\t"+spread, ""
			case v != nil && display.IsFlow(c):
				_, factor, _ := units.Display(c.Unit)
				line += "\t" + display.Rounded(*v*factor, decimals)
			default:
				line += "\t" + display.Cell(v, c, units)
			}
		}
		if r.Note != "" {
			notes = append(notes, r.Name+": "+r.Note)
			line += "\t" + "(" + strconv.Itoa(len(notes)) + ")"
		}
		fmt.Fprintln(table, line)
	}
	if err := table.Flush(); err != nil {
		return err
	}
	for i, n := range notes {
		fmt.Fprintf(out, "    (%d) %s\n", i+1, n)
	}
	return nil
}
