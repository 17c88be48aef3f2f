package main

import (
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"text/tabwriter"

	"loadscribe/agent/analysis"
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
		if _, one := throughout(t); !p.long && !one && len(t.Rows) >= longTable {
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
	if one, ok := throughout(t); ok {
		_, err := fmt.Fprintf(out, "  %s: %s throughout\n", t.Name, shownCell(one, &t.Columns[0], units))
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
	decimals := flowDecimals(t, units)
	for _, r := range t.Rows {
		line, value, spread := "    "+r.Name, "", ""
		for i, v := range r.Values {
			c := &t.Columns[i]
			switch u := uncertaintyOf(t, r.Values, i); {
			case v != nil && u != nil:
				value, spread = shownPair(v, u, c, units)
				line += "\t" + value
			case isSpread(c) && spread != "":
				line, spread = line+"\t"+spread, ""
			case v != nil && isFlow(c):
				_, factor, _ := units.Display(c.Unit)
				line += "\t" + rounded(*v*factor, decimals)
			default:
				line += "\t" + shownCell(v, c, units)
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

func isFlow(c *analysis.Column) bool { return c.Unit == "m³/min" && !isSpread(c) }

// isSpread reports the uncertainty of the column before.
func isSpread(c *analysis.Column) bool { return strings.HasPrefix(c.Name, "uncertainty") }

// flowDecimals are the places of a table's flows: four figures of the largest, so
// that an hour in which nothing flowed does not show the last digit of a balance.
func flowDecimals(t *analysis.Table, units quantity.System) int {
	_, factor, _ := units.Display("m³/min")
	var largest float64
	for _, r := range t.Rows {
		for i, v := range r.Values {
			if v != nil && isFlow(&t.Columns[i]) {
				largest = max(largest, math.Abs(*v*factor))
			}
		}
	}
	return min(max(0, 3-magnitude(largest)), 4)
}

// throughout is the value of a grid's every cell, where there is one: a day of hours
// by seven days that were all observed needs no page.
func throughout(t *analysis.Table) (*float64, bool) {
	if len(t.Rows) < 2 || len(t.Columns) < 2 {
		return nil, false
	}
	var one *float64
	for i, r := range t.Rows {
		for j, v := range r.Values {
			if i+j == 0 {
				one = v
			}
			if r.Note != "" || v == nil || one == nil || *v != *one || t.Columns[j].Unit != t.Columns[0].Unit {
				return nil, false
			}
		}
	}
	return one, one != nil
}

// shownCell is a value to four figures and to no more than four decimals, an
// uncertainty to two figures, a number of things whole, money to its hundredths
// and times in words.
func shownCell(v *float64, column *analysis.Column, units quantity.System) string {
	if v == nil {
		return "-"
	}
	shown, factor, offset := units.Display(column.Unit)
	value := float64(*v*factor) + offset
	figures := 4
	if isSpread(column) {
		figures = 2
	}
	switch {
	case shown == "s":
		return duration(value)
	case value == 0:
		return "0"
	case column.Unit == "1" && value >= 1 && value == math.Trunc(value): // a number of things
		return strconv.FormatFloat(value, 'f', -1, 64)
	case isMoney(column.Unit):
		return strconv.FormatFloat(value, 'f', 2, 64)
	case math.Abs(value) < 0.0001:
		return "under 0.0001"
	}
	return rounded(value, min(max(figures-4, figures-1-magnitude(value)), 4))
}

// uncertaintyOf is the uncertainty that stands beside a table's value; nil: none does.
func uncertaintyOf(t *analysis.Table, row []*float64, i int) *float64 {
	if i+1 < len(row) && isSpread(&t.Columns[i+1]) && t.Columns[i+1].Unit == t.Columns[i].Unit {
		return row[i+1]
	}
	return nil
}

// shownPair is a value with no more digits than its uncertainty warrants, two figures
// of it, and that to the same place. Beyond four figures of the value one is enough.
func shownPair(v, u *float64, column *analysis.Column, units quantity.System) (value, uncertainty string) {
	if v == nil || u == nil || *u <= 0 {
		return shownCell(v, column, units), shownCell(u, &analysis.Column{Name: "uncertainty", Unit: column.Unit}, units)
	}
	_, factor, offset := units.Display(column.Unit)
	shown, spread := float64(*v*factor)+offset, math.Abs(*u*factor)
	decimals := min(1-magnitude(spread), max(3-magnitude(shown), -magnitude(spread)), 4)
	return rounded(shown, decimals), rounded(spread, decimals)
}

// isMoney reports a currency's code: three capitals.
func isMoney(unit string) bool {
	return len(unit) == 3 && strings.ToUpper(unit) == unit && strings.IndexFunc(unit, func(r rune) bool { return r < 'A' || r > 'Z' }) < 0
}
