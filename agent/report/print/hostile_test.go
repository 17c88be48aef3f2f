package print

import (
	"fmt"
	"strings"
	"testing"

	"loadscribe/agent/quantity"
	"loadscribe/agent/report"
)

// hostile are texts that a site file, a controller or a note may have in it.
var hostile = []string{
	`<script>alert("x")</script>`, `=cmd()|'/C calc'!A0`, strings.Repeat("ab", 150), strings.Repeat("long name ", 30),
	"מפעל \u202eevil\u202c 7", "مصنع", "\xff\xfe\x80broken", "emoji 😀 \U0010ffff", "a\x00b\x1b[31m\rc\nd\te",
	`back\slash (round) ) ( \)`, "\u00a0\u00a0", "  ", "nb:\n\n", "\ufeff", "é combining: e\u0301",
}

// Names that would harm a writer of PDFs neither break the file nor leave the page, in
// whatever place of a document they stand.
func TestHostileTexts(t *testing.T) {
	if testing.Short() {
		t.Skip("no goroutine of ours")
	}
	doc := sample(quantity.SI)
	var rows [][]report.Text
	var facts []report.Fact
	var points []report.Text
	for i, name := range hostile {
		said := plainText(name, number("12", "/n", 12), name)
		rows = append(rows, []report.Text{plainText(name), said, said, plainText("7")})
		facts = append(facts, report.Fact{Name: name, Is: said})
		points = append(points, said)
		doc.Sections = append(doc.Sections, report.Section{ID: fmt.Sprintf("h-%d", i), Title: name, Level: 1 + i%2, Blocks: []report.Block{
			{Text: said}, {Plain: name}, {Box: &report.Box{Kind: report.BoxCaution, Title: name, Blocks: []report.Block{{Text: said}}}}}})
	}
	doc.Sections = append(doc.Sections, report.Section{ID: "all", Title: "All", Level: 1, Blocks: []report.Block{
		{Facts: facts}, {List: points}, {Table: &report.Table{Caption: hostile[0], Rows: rows, Columns: []report.Column{
			{Head: hostile[2]}, {Head: "b", Number: true}, {Head: hostile[3], Unit: hostile[3]}, {Head: "d", Unit: "kW", Number: true}}}}}})
	for _, name := range hostile {
		few := &report.Document{Title: name, Made: doc.Made, Data: doc.Data, Sections: []report.Section{{Title: name, Level: 1}}}
		few.Made.Version = name
		few.Data.Site.Report.PreparedBy = name
		render(t, few) // must not fail
	}
	doc.Title, doc.Made.Version = hostile[2], hostile[3]
	pdf := render(t, doc)
	inside(t, pdf)
	text := strings.Join(pagesOf(t, pdf), "")
	for _, want := range []string{`<script>alert("x")</script>`, `=cmd()|'/Ccalc'!A0`, `back\slash(round))(\)`, strings.Repeat("ab", 150),
		"□standsforaletterthatthefontsofthisfiledonothave"} {
		if !strings.Contains(text, want) {
			t.Errorf("the file does not say %q", want)
		}
	}
}

// A document may be empty wherever it can be.
func TestEmptyDocuments(t *testing.T) {
	made := report.Made{At: "2026-03-09T12:00:00Z"}
	for name, doc := range map[string]*report.Document{
		"nothing":     {Made: made},
		"no blocks":   {Made: made, Title: "T", Sections: []report.Section{{ID: "a", Title: "A", Level: 1}, {ID: "b", Level: 1}}},
		"level 2":     {Made: made, Sections: []report.Section{{ID: "a", Title: "A", Level: 2}, {ID: "b", Title: "B", Level: 2}}},
		"empty parts": {Made: made, Sections: []report.Section{{ID: "a", Title: "A", Level: 1, Blocks: emptyBlocks()}}},
	} {
		if pages := pagesOf(t, render(t, doc)); len(pages) == 0 || !strings.Contains(pages[0], "page1of") {
			t.Errorf("%s: no page, or one without a foot: %q", name, pages)
		}
	}
	if _, err := PDF(&report.Document{Made: report.Made{At: "yesterday"}}); err == nil {
		t.Error("a report made at no time was rendered")
	}
}

func emptyBlocks() []report.Block {
	return []report.Block{{}, {Text: report.Text{{}}}, {List: []report.Text{{}, nil}}, {Facts: []report.Fact{{}}},
		{Table: &report.Table{}}, {Table: &report.Table{Columns: []report.Column{{}, {Head: "h"}}}},
		{Table: &report.Table{Columns: []report.Column{{}}, Rows: [][]report.Text{nil, {nil}}, Notes: []report.Text{nil}}},
		{Box: &report.Box{}}, {Box: &report.Box{Kind: "unheard of", Blocks: []report.Block{{}}}}, {Plain: "\n"}}
}

// What no page has room for goes on overleaf, and nothing of it is lost.
func TestLongerThanAPage(t *testing.T) {
	if testing.Short() {
		t.Skip("no goroutine of ours")
	}
	doc := sample(quantity.US)
	long := plainText(strings.Repeat(prose+" ", 40))
	wide := report.Table{Caption: "A table of many columns"}
	var row []report.Text
	for i := range 25 {
		wide.Columns = append(wide.Columns, report.Column{Head: fmt.Sprintf("%02d h", i), Number: true})
		row = append(row, plainText(number(fmt.Sprintf("%d.5", 100+i), "/x", 0)))
	}
	for range 70 {
		wide.Rows = append(wide.Rows, row)
	}
	doc.Sections = append(doc.Sections, report.Section{ID: "long", Title: "Long", Level: 1, Blocks: []report.Block{
		{Facts: []report.Fact{{Name: "A long fact", Is: long}}},
		{Box: &report.Box{Kind: report.BoxAnswer, Title: "A long box", Blocks: []report.Block{{Text: long}, {Table: &wide}}}}}})
	pdf := render(t, doc)
	holdsAll(t, doc, pdf)
	inside(t, pdf)
	// A row goes on below the head, which is set again.
	doc.Sections = []report.Section{{ID: "row", Title: "Row", Level: 1, Blocks: []report.Block{{Table: &report.Table{Caption: "A long row",
		Columns: []report.Column{{Head: "Of"}, {Head: "What"}}, Rows: [][]report.Text{{plainText("one"), long}, {plainText("two"), plainText("short")}}}}}}}
	pdf = render(t, doc)
	inside(t, pdf)
	body := ""
	for n, pages := 0, pagesOf(t, pdf); n < len(pages); n++ {
		body += bodyOf(t, doc, pages, n)
	}
	if want := "Alongrowone" + strings.Repeat(squeeze(prose), 40) + "twoshort"; !strings.Contains(strings.ReplaceAll(body, "OfWhat", ""), want) {
		t.Errorf("a row of several pages is not whole: …%s", body[max(0, len(body)-200):])
	}
}
