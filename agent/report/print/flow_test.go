package print

import (
	"math"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"loadscribe/agent/report"
)

// However high pieces are: none leaves a page that has room for it, their order stays,
// and those that belong together and have room on one page stand on one.
func TestFlow(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := &printer{doc: &report.Document{}, links: map[string]int{}}
		p.open("A4", time.Unix(0, 0))
		p.turn()
		type spot struct {
			page int
			y    float64
		}
		heads := map[int]int{}
		head := piece{height: 20, draw: func(float64) { heads[p.page]++ }}
		var spots []spot
		var pieces []piece
		for range rapid.IntRange(1, 60).Draw(t, "pieces") {
			one := piece{
				gap:    rapid.Float64Range(0, 30).Draw(t, "gap"),
				height: rapid.SampledFrom([]float64{0, 5, 13, 60, 200, 500, 700}).Draw(t, "height"),
				keep:   rapid.Bool().Draw(t, "keep"),
				draw:   func(y float64) { spots = append(spots, spot{p.page, y}) },
			}
			if rapid.Bool().Draw(t, "in a table") {
				one.repeat = &head
			}
			pieces = append(pieces, one)
		}
		p.flow(pieces)
		if len(spots) != len(pieces) {
			t.Fatalf("%d of %d pieces were drawn", len(spots), len(pieces))
		}
		for i, at := range spots {
			if high := pieces[i].height; at.y+high > p.bottom()+0.02 && high+repeated(pieces[i]) <= p.room() {
				t.Fatalf("piece %d ends at %.1f of %.1f", i, at.y+high, p.bottom())
			}
			if i == 0 {
				continue
			}
			before := spots[i-1]
			if at.page < before.page || at.page == before.page && at.y < before.y+pieces[i-1].height-0.02 {
				t.Fatalf("piece %d stands at %+v, the one before at %+v", i, at, before)
			}
			if at.page > before.page && pieces[i].repeat != nil && heads[at.page] != 1 {
				t.Fatalf("piece %d begins page %d, which has %d heads", i, at.page, heads[at.page])
			}
		}
		for from := 0; from < len(pieces); {
			to := from
			for to+1 < len(pieces) && pieces[to].keep {
				to++
			}
			if tall(pieces[from:to+1])+repeated(pieces[from]) <= p.room() && spots[from].page != spots[to].page {
				t.Fatalf("pieces %d to %d belong together and stand on pages %d to %d", from, to, spots[from].page, spots[to].page)
			}
			from = to + 1
		}
	})
}

// No line is wider than it may be, and no letter is lost or made up.
func TestLines(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		st := rapid.SampledFrom([]style{body, small, heading}).Draw(t, "style")
		width := rapid.Float64Range(25, 500).Draw(t, "width")
		var text report.Text
		for range rapid.IntRange(0, 6).Draw(t, "runs") {
			run := report.Run{Text: rapid.StringMatching(`[ a-zA-Z0-9./_±-]{0,40}`).Draw(t, "text"), Strong: rapid.Bool().Draw(t, "strong")}
			if rapid.Bool().Draw(t, "number") {
				run.At = "/x"
			}
			text = append(text, run)
		}
		got := ""
		for _, l := range st.lines(text, width) {
			wide := 0.0
			for _, s := range l.spans {
				got += s.text
				wide += st.spanWidth(s)
			}
			if wide > width+0.06 {
				t.Fatalf("a line is %.2f wide, of %.2f: %+v", wide, width, l.spans)
			}
			if math.Abs(wide-l.width) > 1.5 { // a bold space is another's width
				t.Fatalf("a line of %.2f says that it is %.2f wide", wide, l.width)
			}
		}
		if squeeze(got) != squeeze(join(text)) {
			t.Fatalf("lines say %q, the text %q", got, join(text))
		}
	})
}

// A checkpoint's lines are not broken and stay on one page, so that its text can be
// copied; a command breaks where there is white.
func TestPlain(t *testing.T) {
	const width = 480 // A4 less its margins
	checkpoint := "loadscribe/00112233445566778899aabbccddeeff\n540\nq1Cw1t9cPq0wPOo0iS6pYbq8o8rW0m1eZ8hW1s6L2m4=\nmade 2026-03-09T05:09:32.022Z\nreadings none\n" +
		"key loadscribe/00112233445566778899aabbccddeeff+a326b441+" + strings.Repeat("aB3/", 11) + "\n\n\u2014 loadscribe/00112233445566778899aabbccddeeff " + strings.Repeat("aB3/", 23) + "\n"
	p := &printer{}
	for text, want := range map[string]int{checkpoint: 8, strings.Repeat("loadscribe report ", 10): 2} {
		pieces := p.plain(text, column{0, width})
		if len(pieces) != want {
			t.Errorf("%d lines, want %d: %.40q", len(pieces), want, text)
		}
		for i := range pieces[:len(pieces)-1] {
			if !pieces[i].keep {
				t.Errorf("line %d may stand on another page than the next: %.40q", i, text)
			}
		}
	}
}

// A number is not parted from its uncertainty and unit where there is room for all.
func TestNumbersStayWhole(t *testing.T) {
	text := plainText("The machines took in that week ", number("1 234.5", "/v/value", 1234.5), number(" ± 12.3", "/v/uncertainty", 12.3), " kW/100 cfm", " and more than that.")
	for width := 110.0; width < 500; width += 3 {
		found := false
		for _, l := range body.lines(text, width) {
			line := ""
			for _, s := range l.spans {
				line += s.text
			}
			found = found || strings.Contains(strings.ReplaceAll(line, hardSpace, " "), "1 234.5 ± 12.3 kW/100")
		}
		if !found {
			t.Fatalf("at a width of %.0f the number is broken: %+v", width, body.lines(text, width))
		}
	}
}

// Columns keep to the room, have what their words need where all do, and a table that
// fits on single lines breaks none.
func TestColumnWidths(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		table := &report.Table{}
		word := rapid.StringMatching(`[a-z]{0,12}( [a-z]{1,14}){0,12}`)
		for range rapid.IntRange(1, 20).Draw(t, "columns") {
			table.Columns = append(table.Columns, report.Column{Head: word.Draw(t, "head"), Weight: rapid.SampledFrom([]float64{0, 0.5, 1, 3}).Draw(t, "weight")})
		}
		for range rapid.IntRange(0, 8).Draw(t, "rows") {
			var row []report.Text
			for range rapid.IntRange(0, len(table.Columns)).Draw(t, "cells") {
				row = append(row, plainText(word.Draw(t, "cell")))
			}
			table.Rows = append(table.Rows, row)
		}
		const room = 480.0
		n := small.needs(table)
		got := n.widths(room)
		if sum(got) > room+0.01 {
			t.Fatalf("columns take %.2f of %.0f: %v", sum(got), room, got)
		}
		single := 0.0
		for i := range got {
			single += max(n.cells[i], n.heads[i])
		}
		for i, w := range got {
			if sum(n.least) <= room && w < n.least[i]-0.01 || w < 0 {
				t.Fatalf("column %d is %.2f wide and needs %.2f", i, w, n.least[i])
			}
			if single <= room && w < max(n.cells[i], n.heads[i])-0.01 {
				t.Fatalf("column %d is %.2f wide though there is room for %.2f", i, w, max(n.cells[i], n.heads[i]))
			}
		}
	})
}

// The room goes where it makes the table lower: a column of sentences beside one of
// names.
func TestRoomGoesToSentences(t *testing.T) {
	table := &report.Table{Columns: []report.Column{{Head: "Names"}, {Head: "How"}, {Head: "Rests on"}}}
	for range 5 {
		table.Rows = append(table.Rows, []report.Text{plainText("mean pressure; mean pressure in shifts"), plainText(prose), plainText("a, b and c")})
	}
	n := body.needs(table)
	got := n.widths(480)
	if got[1] < 1.8*got[0] || got[2] > n.cells[2]+6 {
		t.Errorf("widths %v of needs %+v", got, n)
	}
	high := func(widths []float64) (most int) {
		for i, w := range widths {
			most = max(most, len(body.lines(table.Rows[0][i], w)))
		}
		return most
	}
	even := []float64{160, 160, 160}
	if high(got) >= high(even) {
		t.Errorf("rows are %d lines high, %d with even columns", high(got), high(even))
	}
}
