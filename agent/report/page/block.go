package page

import (
	"strconv"
	"strings"
	"unicode/utf8"

	"loadscribe/agent/chart"
	"loadscribe/agent/report"
)

// Widths of pictures in points: the column of a printed page, and that of a phone.
const (
	widePt   = 500
	narrowPt = 270
)

// longWord is the length from which a word in a table may break anywhere: its column
// would be as wide as it.
const longWord = 24

// shortRows is how many rows a table has that is not broken over pages.
const shortRows = 12

// block writes one block of a section; heading is the level of a heading in it.
func (p *page) block(b *report.Block, within string, heading int) {
	switch {
	case len(b.Text) > 0:
		p.put("<p>")
		p.text(b.Text)
		p.put("</p>\n")
	case len(b.List) > 0:
		p.put("<ul>\n")
		for _, t := range b.List {
			p.put("<li>")
			p.text(t)
			p.put("</li>\n")
		}
		p.put("</ul>\n")
	case len(b.Facts) > 0:
		p.put("<dl>\n")
		for _, f := range b.Facts {
			p.put("<div><dt>", prose(f.Name), "</dt><dd>")
			p.text(f.Is)
			p.put("</dd></div>\n")
		}
		p.put("</dl>\n")
	case b.Table != nil:
		p.table(b.Table, within)
	case b.Chart != nil:
		p.chart(b.Chart)
	case b.Box != nil:
		p.box(b.Box, within, heading)
	case b.Plain != "":
		p.put("<pre>", prose(strings.TrimRight(b.Plain, "\n")), "</pre>\n")
	}
}

// text writes runs; a number says what it is and where it stands in report.json.
func (p *page) text(t report.Text) {
	for i := range t {
		r := &t[i]
		var before, after string
		if id, known := p.links[r.Link]; known && r.Link != "" {
			before, after = `<a href="#`+id+`">`, "</a>"
		}
		if r.Strong {
			before, after = before+"<strong>", "</strong>"+after
		}
		if r.At != "" && r.Value != nil {
			before += `<data value="` + strconv.FormatFloat(*r.Value, 'g', -1, 64) + `" data-at="` + escape(r.At) + `">`
			after = "</data>" + after
		}
		p.put(before, prose(r.Text), after)
	}
}

// table writes a table; a wide one scrolls in a frame of its own, which the keyboard
// reaches.
func (p *page) table(t *report.Table, within string) {
	id := p.id(within + "-table")
	kind := "few"
	switch {
	case len(t.Columns) > 6:
		kind = "many"
	case len(t.Columns) > 3:
		kind = "some"
	case len(t.Columns) < 3:
		kind = "two"
	}
	if len(t.Rows) <= shortRows {
		kind += " short"
	}
	p.put(`<div class="table `, kind, `"`)
	if len(t.Columns) > 2 {
		p.put(` role="group" tabindex="0" aria-labelledby="`, id, `"`)
	}
	p.put(">\n<table>\n", `<caption id="`, id, `"><span>`, prose(t.Caption), "</span></caption>\n")
	p.widths(t.Columns)
	p.put("<thead>\n<tr>")
	for _, c := range t.Columns {
		p.columnHead(&c)
	}
	p.put("</tr>\n</thead>\n<tbody>\n")
	for _, row := range t.Rows {
		p.put("<tr>")
		for i, cell := range row {
			number := i < len(t.Columns) && t.Columns[i].Number
			p.cell(cell, i == 0 && !number, number)
		}
		p.put("</tr>\n")
	}
	p.put("</tbody>\n</table>\n")
	for _, note := range t.Notes {
		p.put(`<p class="note">`)
		p.text(note)
		p.put("</p>\n")
	}
	p.put("</div>\n")
}

// widths says how columns of words share the width, where the table does; numbers take
// what they need.
func (p *page) widths(columns []report.Column) {
	weight := func(c *report.Column) float64 {
		if c.Weight > 0 {
			return c.Weight
		}
		return 1
	}
	sum, given := 0.0, false
	for i := range columns {
		if columns[i].Number {
			return
		}
		sum, given = sum+weight(&columns[i]), given || columns[i].Weight > 0
	}
	if !given {
		return
	}
	p.put("<colgroup>")
	for i := range columns {
		p.put(`<col style="width:`, strconv.FormatFloat(100*weight(&columns[i])/sum, 'f', 1, 64), `%"/>`)
	}
	p.put("</colgroup>\n")
}

func (p *page) columnHead(c *report.Column) {
	if c.Head == "" && c.Unit == "" { // a heading that says nothing is none
		p.put("<td></td>")
		return
	}
	class := ""
	if c.Number {
		class = "number"
	}
	if _, longest := measure(report.Text{{Text: c.Head + " " + c.Unit}}); longest > longWord {
		class += " long"
	}
	p.put(`<th scope="col"`, attribute("class", class), ">", prose(c.Head))
	if c.Unit != "" {
		p.put(` <span class="unit">`, prose(c.Unit), "</span>")
	}
	p.put("</th>")
}

// cell writes a cell; the first of a row names it.
func (p *page) cell(t report.Text, names, number bool) {
	tag, rest := "td", ""
	if names && said(t) {
		tag, rest = "th", ` scope="row"`
	}
	class := ""
	if number {
		class = "number"
	}
	whole, longest := measure(t)
	switch {
	case longest > longWord:
		class += " long"
	case number && whole <= 14: // a value stays with its uncertainty
		class += " tight"
	}
	p.put("<", tag, rest, attribute("class", class), ">")
	p.text(t)
	p.put("</", tag, ">")
}

// attribute is an attribute with words of our own; none where there are none.
func attribute(name, words string) string {
	if words = strings.TrimSpace(words); words == "" {
		return ""
	}
	return " " + name + `="` + words + `"`
}

func said(t report.Text) bool {
	whole, _ := measure(t)
	return whole > 0
}

// measure is the length of a text and of its longest word, in characters.
func measure(t report.Text) (whole, longest int) {
	var all strings.Builder
	for i := range t {
		all.WriteString(t[i].Text)
	}
	for word := range strings.FieldsSeq(all.String()) {
		n := utf8.RuneCountInString(word)
		whole, longest = whole+n+1, max(longest, n)
	}
	return max(0, whole-1), longest
}

// chart writes a picture twice, for wide screens and paper, and for phones: one that
// is made smaller could not be read. The style shows one of them.
func (p *page) chart(c *chart.Chart) {
	wide, narrow := *c, *c
	id := p.id(c.ID)
	wide.ID, narrow.ID = p.id(id+"-wide"), p.id(id+"-narrow")
	p.put(`<figure id="`, id, `">`, "\n<figcaption><strong>", prose(c.Title), "</strong> ", prose(c.Summary), "</figcaption>\n",
		`<div class="wide">`, chart.SVG(&wide, widePt), "</div>\n",
		`<div class="narrow">`, chart.SVG(&narrow, narrowPt), "</div>\n</figure>\n")
}

// kinds are the words of boxes: told before colour tells it.
var kinds = map[string]string{report.BoxFinding: "Finding", report.BoxCaution: "Caution", report.BoxGap: "Not known"}

func (p *page) box(b *report.Box, within string, heading int) {
	h := "h" + strconv.Itoa(heading)
	p.put(`<div class="box `, p.class(b.Kind), `">`, "\n")
	if b.Title != "" {
		p.put("<", h, ">")
		if kind := kinds[b.Kind]; kind != "" && !strings.HasPrefix(strings.ToLower(b.Title), strings.ToLower(kind)) {
			p.put(`<span class="kind">`, kind, ":</span> ")
		}
		p.put(prose(b.Title), "</", h, ">\n")
	}
	for i := range b.Blocks {
		p.block(&b.Blocks[i], within, heading+1)
	}
	p.put("</div>\n")
}

// class is a box's kind as a class: one that is not known has the look of an answer.
func (p *page) class(kind string) string {
	if _, known := kinds[kind]; known {
		return kind
	}
	return report.BoxAnswer
}
