package print

import (
	"fmt"
	"strings"
	"time"

	"loadscribe/agent/chart"
	"loadscribe/agent/quantity"
	"loadscribe/agent/report"
	"loadscribe/agent/sitefile"
)

// number is a run that points somewhere, as the report's builder makes them.
func number(text, at string, value float64) report.Run {
	return report.Run{Text: text, At: at, Value: &value}
}

func plainText(parts ...any) (t report.Text) {
	for _, p := range parts {
		switch p := p.(type) {
		case string:
			t = append(t, report.Run{Text: p})
		case report.Run:
			t = append(t, p)
		}
	}
	return t
}

func quantityOf(i int, value, half float64, unit string) report.Text {
	at := fmt.Sprintf("/data/figures/machines/0/figures/%d", i)
	return plainText(number(fmt.Sprintf("%.1f", value), at+"/value", value), number(fmt.Sprintf(" ± %.1f", half), at+"/uncertainty", half), " "+unit)
}

const prose = "The machine runs unloaded for a good part of the day, because the plant takes little air between the shifts and the timer that would stop it never runs out. " +
	"What it takes then is told in the section on energy; what another setting would have taken is told by replay."

// sample has one of everything in it, and enough of it for several pages.
func sample(units quantity.System) *report.Document {
	zone := time.FixedZone("CST", -6*3600)
	doc := &report.Document{Format: report.Format, Title: "Compressed air at Harrow Lane Joinery"}
	doc.Data = &report.Data{Site: &sitefile.Site{Units: units, Location: zone}}
	doc.Made = report.Made{Version: "1.2.3", At: "2026-03-09T12:00:00Z", From: "2026-03-02T06:00:00Z", To: "2026-03-09T06:00:00Z", Site: "Harrow Lane Joinery"}
	add := func(id, title string, level int, blocks ...report.Block) {
		doc.Sections = append(doc.Sections, report.Section{ID: id, Title: title, Level: level, Blocks: blocks})
	}
	para := func(t report.Text) report.Block { return report.Block{Text: t} }
	add("site", "The site", 1, para(plainText(prose)), report.Block{Facts: []report.Fact{
		{Name: "Place", Is: plainText("an invented town")},
		{Name: "Goals of the assessment", Is: plainText(prose)},
		{Name: "Observed", Is: quantityOf(0, 99.6, 0.1, "%")},
	}})
	add("answer", "The answer in one page", 1,
		report.Block{Box: &report.Box{Kind: report.BoxAnswer, Title: "What the air costs", Blocks: []report.Block{
			para(append(plainText("A year of this comes to "), append(quantityOf(1, 18200, 400, "USD"), report.Run{Text: ", a third of it for air that nobody uses."})...))}}},
		report.Block{Box: &report.Box{Kind: report.BoxFinding, Title: "Leaks take a third of the air", Blocks: []report.Block{
			{List: []report.Text{plainText("Walk the mains on a Sunday. ", prose), append(plainText("They take "), quantityOf(2, 31.5, 2.1, "cfm")...)}},
			para(report.Text{{Text: "More in "}, {Text: "what the table says", Link: "table"}, {Text: "."}})}}},
		report.Block{Box: &report.Box{Kind: report.BoxCaution, Title: "Before anyone opens a pipe", Blocks: []report.Block{para(plainText(prose))}}},
		report.Block{Box: &report.Box{Kind: report.BoxGap, Title: "How much air flows", Blocks: []report.Block{para(plainText("There is no flow meter. ", prose))}}})
	var rows [][]report.Text
	for i := range 64 {
		rows = append(rows, []report.Text{plainText(fmt.Sprintf("comp%d", i)), plainText("a note of some length about this one, with words enough for two lines of it"),
			quantityOf(10+i, 11.3*float64(i), 0.2*float64(i), "kW"), plainText(number(fmt.Sprint(i), fmt.Sprintf("/n/%d", i), float64(i)))})
	}
	add("table", "A long table", 1, para(plainText(prose)), report.Block{Table: &report.Table{Caption: "Power of each machine", Columns: []report.Column{
		{Head: "Machine"}, {Head: "Note", Weight: 2}, {Head: "Power, loaded", Unit: "", Number: true}, {Head: "Starts in the busiest hour", Unit: "1/h", Number: true}},
		Rows: rows, Notes: []report.Text{plainText("Of the hours observed.")}}})
	add("pictures", "Pictures", 1, para(plainText(prose)))
	for i := range 3 {
		add(fmt.Sprintf("picture-%d", i), fmt.Sprintf("Picture %d", i), 2, report.Block{Chart: sampleChart(i)}, para(plainText(strings.Repeat(prose+" ", 2))))
	}
	add("evidence", "Evidence", 1, report.Block{Plain: "loadscribe/harrow\n81234\nq1Cw1t9cPq0wPOo0iS6pYbq8o8rW0m1eZ8hW1s6L2m4=\n\n— loadscribe/harrow " + strings.Repeat("aB3/", 30)})
	return doc
}

func sampleChart(i int) *chart.Chart {
	return &chart.Chart{ID: fmt.Sprintf("c%d", i), Title: "Demand over the week", Summary: "Demand is highest on weekday mornings and never falls to nothing.",
		Lines: &chart.Lines{X: chart.Axis{Label: "hour", Unit: "h"}, Y: chart.Axis{Label: "demand", Unit: "cfm", Zero: true},
			Series: []chart.Series{{Name: "main", X: chart.Values{0, 1, 2, 3}, Y: chart.Values{10, 20, 15, 30}}}}}
}
