package display

import (
	"math"
	"strconv"
	"strings"

	"loadscribe/agent/analysis"
	"loadscribe/agent/quantity"
)

// Cell is a value to four figures and to no more than four decimals, an
// uncertainty to two figures, a number of things whole, money to its hundredths
// and times in words.
func Cell(v *float64, column *analysis.Column, units quantity.System) string {
	if v == nil {
		return "-"
	}
	shown, factor, offset := units.Display(column.Unit)
	value := float64(*v*factor) + offset
	figures := 4
	if IsSpread(column) {
		figures = 2
	}
	switch {
	case shown == "s":
		return Duration(value)
	case value == 0:
		return "0"
	case column.Unit == "1" && value >= 1 && value == math.Trunc(value): // a number of things
		return strconv.FormatFloat(value, 'f', -1, 64)
	case IsMoney(column.Unit):
		return strconv.FormatFloat(value, 'f', 2, 64)
	case math.Abs(value) < 0.0001:
		return "under 0.0001"
	}
	return Rounded(value, min(max(figures-4, figures-1-Magnitude(value)), 4))
}

// Pair is a value with no more digits than its uncertainty warrants, two figures
// of it, and that to the same place. Beyond four figures of the value one is enough.
func Pair(v, u *float64, column *analysis.Column, units quantity.System) (value, uncertainty string) {
	if v == nil || u == nil || *u <= 0 {
		return Cell(v, column, units), Cell(u, &analysis.Column{Name: "uncertainty", Unit: column.Unit}, units)
	}
	_, factor, offset := units.Display(column.Unit)
	shown, spread := float64(*v*factor)+offset, math.Abs(*u*factor)
	decimals := min(1-Magnitude(spread), max(3-Magnitude(shown), -Magnitude(spread)), 4)
	return Rounded(shown, decimals), Rounded(spread, decimals)
}

// UncertaintyOf is the uncertainty that stands beside a table's value; nil: none does.
func UncertaintyOf(t *analysis.Table, row []*float64, i int) *float64 {
	if i+1 < len(row) && IsSpread(&t.Columns[i+1]) && t.Columns[i+1].Unit == t.Columns[i].Unit {
		return row[i+1]
	}
	return nil
}

// IsSpread reports the uncertainty of the column before.
func IsSpread(c *analysis.Column) bool { return strings.HasPrefix(c.Name, "uncertainty") }

// IsFlow reports a column of flows, which are shown in the site's unit of them.
func IsFlow(c *analysis.Column) bool { return c.Unit == "m³/min" && !IsSpread(c) }

// FlowDecimals are the places of a table's flows: four figures of the largest, so
// that an hour in which nothing flowed does not show the last digit of a balance.
func FlowDecimals(t *analysis.Table, units quantity.System) int {
	_, factor, _ := units.Display("m³/min")
	var largest float64
	for _, r := range t.Rows {
		for i, v := range r.Values {
			if v != nil && IsFlow(&t.Columns[i]) {
				largest = max(largest, math.Abs(*v*factor))
			}
		}
	}
	return min(max(0, 3-Magnitude(largest)), 4)
}

// Throughout is the value of a grid's every cell, where there is one: a day of hours
// by seven days that were all observed needs no page.
func Throughout(t *analysis.Table) (*float64, bool) {
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
