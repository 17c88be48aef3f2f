package page

import (
	"fmt"
	"math"
	"strings"

	"loadscribe/agent/chart"
	"loadscribe/agent/report"
)

// number is a run that shows a number of the report.
func number(text, at string, v float64) report.Run { return report.Run{Text: text, At: at, Value: &v} }

func plain(format string, args ...any) report.Text {
	return report.Text{{Text: fmt.Sprintf(format, args...)}}
}

// What the sample has of rows in each long table, and of boxes.
const lastRow, sampleBoxes = 24, 7

// sample is an invented document that has every kind of block, tables and boxes longer
// than what is left of a page, and a mark at the beginning and end of what must stay
// whole: "row7a" and "row7z", say.
func sample() *report.Document {
	doc := &report.Document{Format: report.Format, Title: "Compressed air at Harrow Lane Joinery", Made: report.Made{Version: "1.2.3"}}
	doc.Sections = []report.Section{
		{ID: "front", Title: "This report", Level: 1, Blocks: []report.Block{
			{Text: plain("One week of one compressor, read once a second without touching it.")},
			{Facts: []report.Fact{{Name: "Prepared for", Is: plain("the owner")}, {Name: "Window", Is: plain("Mon 2 Mar to Mon 9 Mar 2026, America/Chicago")}, {Name: "Made with", Is: plain("version 1.2.3")}}},
		}},
		{ID: "answer", Title: "The answer in a page", Level: 1, Blocks: []report.Block{
			{Box: &report.Box{Kind: report.BoxAnswer, Title: "What the air costs", Blocks: []report.Block{
				{Text: report.Text{{Text: "The air costs "}, number("8,412", "/year/0/figures/1/value", 8412.4), {Text: " USD a year ("}, {Text: "how it is reckoned", Link: "methods"}, {Text: ")."}}},
				{List: []report.Text{plain("First: mend the leaks."), {{Text: "Then: let it stop sooner. "}, {Text: "Nothing else comes near.", Strong: true}}}},
			}}},
			{Chart: bars()},
		}},
	}
	for m := range 2 {
		doc.Sections = append(doc.Sections, machine(m)...)
	}
	doc.Sections = append(doc.Sections, boxes(), days(), report.Section{ID: "methods", Title: "How the figures are made", Level: 1, Blocks: []report.Block{
		{Text: plain("Each figure names its source.")}, {Table: wide()},
	}}, report.Section{ID: "evidence", Title: "Evidence", Level: 1, Blocks: []report.Block{
		{Plain: "loadscribe 3f2a\n1234\n" + strings.Repeat("c2lnbmVk", 24) + "\n\n— key " + strings.Repeat("QUJD", 12) + "\n"},
	}})
	return doc
}

// machine is a section with two of level 2, one a table over pages.
func machine(m int) []report.Section {
	name := fmt.Sprintf("comp%d", m+1)
	t := &report.Table{Caption: "Starts of " + name, Columns: []report.Column{{Head: "Day"}, {Head: fmt.Sprintf("Starts%dhead", m), Number: true}, {Head: "Energy", Unit: "kWh", Number: true}, {Head: "What was seen", Weight: 3}}, Notes: []report.Text{plain("Days are the site's.")}}
	for i := range lastRow + 1 {
		n := m*100 + i
		t.Rows = append(t.Rows, []report.Text{plain("row%da", n), {number(fmt.Sprint(i), fmt.Sprintf("/data/figures/machines/%d/figures/0/tables/0/rows/%d/values/0", m, i), float64(i))},
			{number(fmt.Sprintf("%.1f", 3.7*float64(i)), fmt.Sprintf("/data/figures/machines/%d/figures/0/tables/0/rows/%d/values/1", m, i), 3.7*float64(i)), {Text: " ± 2"}},
			plain("A row of several lines, so that a page ends within one of them if nothing keeps it whole; it goes on for a while longer than a line of this column has room for row%dz", n)})
	}
	return []report.Section{
		{ID: "duty-" + name, Title: "Duty of " + name, Level: 1, Blocks: []report.Block{{Text: plain("The machine ran half of the week.")}, {Chart: line(name)}}},
		{ID: "starts-" + name, Title: "Starts", Level: 2, Blocks: []report.Block{{Table: t}}},
		{ID: "rest-" + name, Title: "Rests", Level: 2, Blocks: []report.Block{{Box: &report.Box{Kind: report.BoxGap, Title: "Rests of " + name, Blocks: []report.Block{{Text: plain("No signal tells when it rests.")}}}}}},
	}
}

// boxes are findings one below the other, whose ends do not fall on a page's.
func boxes() report.Section {
	s := report.Section{ID: "findings", Title: "Findings in full", Level: 1}
	for i := range sampleBoxes {
		s.Blocks = append(s.Blocks, report.Block{Box: &report.Box{Kind: report.BoxFinding, Title: fmt.Sprintf("box%da of what was found", i), Blocks: []report.Block{
			{Text: plain("%s", strings.Repeat("The machine runs unloaded while nobody uses air. ", 3+i))},
			{Facts: []report.Fact{{Name: "A year", Is: report.Text{number("1,240", fmt.Sprintf("/findings/%d/effect/money/value", i), 1240), {Text: " USD"}}}}},
			{Text: plain("Ask the service firm to shorten the time box%dz", i)},
		}}}, report.Block{Text: plain("This is what was seen.")})
	}
	s.Blocks = append(s.Blocks, report.Block{Box: &report.Box{Kind: report.BoxCaution, Title: "Pressure stays after a stop", Blocks: []report.Block{{Text: plain("Let a licensed person vent the receiver.")}}}})
	return s
}

// days has pictures alone.
func days() report.Section {
	s := report.Section{ID: "days", Title: "Seven days", Level: 1}
	for i := range 4 {
		s.Blocks = append(s.Blocks, report.Block{Chart: line(fmt.Sprintf("day%d", i))})
	}
	return s
}

// wide is a table of more columns than a phone has room for.
func wide() *report.Table {
	t := &report.Table{Caption: "Energy by weekday and hour"}
	t.Columns = append(t.Columns, report.Column{Head: "Weekday"})
	for h := range 12 {
		t.Columns = append(t.Columns, report.Column{Head: fmt.Sprintf("%d h", 2*h), Unit: "kWh", Number: true})
	}
	for d := range 7 {
		row := []report.Text{plain("Weekday %d", d)}
		for h := range 12 {
			v := float64(d*100+h) + 0.25
			row = append(row, report.Text{number(fmt.Sprintf("%.2f", v), fmt.Sprintf("/data/energy/%d/%d", d, h), v)})
		}
		t.Rows = append(t.Rows, row)
	}
	return t
}

func line(name string) *chart.Chart {
	s := chart.Series{Name: "power"}
	for i := range 200 {
		y := 20 + 15*math.Sin(float64(i)/9)
		if i > 80 && i < 95 {
			y = math.NaN()
		}
		s.X, s.Y = append(s.X, float64(i)/200*168), append(s.Y, y)
	}
	return &chart.Chart{ID: "power-" + name, Title: "Power of " + name, Summary: "It swings between loaded and unloaded; a gap on Wednesday was not read.",
		Lines: &chart.Lines{X: chart.Axis{Label: "time", Unit: "h"}, Y: chart.Axis{Label: "power", Unit: "kW", Zero: true}, Series: []chart.Series{s}}}
}

func bars() *chart.Chart {
	return &chart.Chart{ID: "hours", Title: "How the machine spends its hours", Summary: "Most of them unloaded.",
		Bars: &chart.Bars{Value: chart.Axis{Label: "time", Unit: "h", Zero: true}, Parts: []string{"time"}, Across: true,
			Bars: []chart.Bar{{Name: "loaded", Values: chart.Values{40}, Label: "40 h"}, {Name: "unloaded", Values: chart.Values{60}, Label: "60 h"}, {Name: "off", Values: chart.Values{68}, Label: "68 h"}}}}
}

// each visits every text of blocks.
func each(blocks []report.Block, see func(report.Text)) {
	for i := range blocks {
		b := &blocks[i]
		see(b.Text)
		for _, t := range b.List {
			see(t)
		}
		for _, f := range b.Facts {
			see(f.Is)
		}
		if b.Table != nil {
			for _, row := range b.Table.Rows {
				for _, cell := range row {
					see(cell)
				}
			}
			for _, n := range b.Table.Notes {
				see(n)
			}
		}
		if b.Box != nil {
			each(b.Box.Blocks, see)
		}
	}
}
