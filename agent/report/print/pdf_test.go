package print

import (
	"bytes"
	"fmt"
	"regexp"
	"strings"
	"testing"
	"time"

	"loadscribe/agent/chart"
	"loadscribe/agent/quantity"
	"loadscribe/agent/report"
)

// The same document is the same file to the byte, for a report is made again to be
// compared.
func TestSameBytes(t *testing.T) {
	if testing.Short() {
		t.Skip("no goroutine of ours")
	}
	first := render(t, sample(quantity.US))
	for range 3 {
		if !bytes.Equal(render(t, sample(quantity.US)), first) {
			t.Fatal("two files of one document differ")
		}
	}
	other := sample(quantity.US)
	other.Made.At = "2026-03-09T12:00:01Z"
	if bytes.Equal(render(t, other), first) {
		t.Error("a second later the file is the same: its dates are not the report's")
	}
}

// Sizes by ISO 216 (210 × 297 mm) and ANSI Y14.1 (8.5 × 11 in), from memory; a point is
// 1/72 in. pdfinfo is the reader.
func TestInfo(t *testing.T) {
	for _, c := range []struct {
		units quantity.System
		size  string
	}{{quantity.US, "612 x 792 pts (letter)"}, {quantity.SI, "595.28 x 841.89 pts (A4)"}} {
		doc := sample(c.units)
		doc.Title = "Compressed air at Grünwald (Süd) \\ Werk"
		info := poppler(t, render(t, doc), "pdfinfo", "-isodates", "FILE")
		for name, want := range map[string]string{
			"Title": doc.Title, "Page size": c.size, "Producer": "loadscribe 1.2.3",
			"CreationDate": "2026-03-09T12:00:00Z", "ModDate": "2026-03-09T12:00:00Z",
			"Subject": "Compressed air, 2 March 2026 00:00 CST to 9 March 2026 00:00 CST",
		} {
			if !regexp.MustCompile(`(?m)^` + name + `: +` + regexp.QuoteMeta(want) + `$`).MatchString(info) {
				t.Errorf("pdfinfo has no %s %q:\n%s", name, want, info)
			}
		}
	}
	fonts := poppler(t, render(t, sample(quantity.SI)), "pdffonts", "FILE")
	lines := strings.Split(strings.TrimSpace(fonts), "\n")[2:]
	if len(lines) != 3 {
		t.Errorf("want three fonts:\n%s", fonts)
	}
	for _, l := range lines {
		// emb, sub, uni: in the file, and their letters known as Unicode
		if f := strings.Fields(l); len(f) < 8 || f[4] != "yes" || f[6] != "yes" {
			t.Errorf("a font is not in the file, or its letters cannot be copied: %s", l)
		}
	}
}

// The outline has every section, on the page where its heading stands, and so have
// the contents.
func TestOutlineAndContents(t *testing.T) {
	doc := sample(quantity.SI)
	pdf := render(t, doc)
	pages, marks := pagesOf(t, pdf), outlineOf(t, pdf)
	if len(marks) != len(doc.Sections) {
		t.Fatalf("%d bookmarks, want %d: %v", len(marks), len(doc.Sections), marks)
	}
	for i, s := range doc.Sections {
		m := marks[i]
		if m.Title != numbered(doc)[i] || m.Level != s.Level {
			t.Errorf("bookmark %d is %+v, want %q of level %d", i, m, s.Title, s.Level)
		}
		if m.Page < 1 || m.Page > len(pages) || !strings.Contains(bodyOf(t, doc, pages, m.Page-1), squeeze(s.Title)) {
			t.Errorf("bookmark %q leads to page %d, where it does not stand", s.Title, m.Page)
		}
	}
	// In the order drawn, the pages' numbers stand behind all else of the first page.
	numbers := ""
	for i, s := range doc.Sections {
		if s.Level == 1 {
			numbers += fmt.Sprint(marks[i].Page)
		}
	}
	if body := bodyOf(t, doc, pages, 0); !strings.HasSuffix(body, numbers) {
		t.Errorf("contents name other pages than %s: %s", numbers, body[len(body)-40:])
	}
}

// bodyOf is a page's text without head and foot, which are drawn last.
func bodyOf(t *testing.T, doc *report.Document, pages []string, n int) string {
	t.Helper()
	made, err := time.Parse(time.RFC3339, doc.Made.At)
	if err != nil {
		t.Fatal(err)
	}
	if doc.Data != nil && doc.Data.Site != nil && doc.Data.Site.Location != nil {
		made = made.In(doc.Data.Site.Location)
	}
	foot := squeeze(made.Format("Made 2 January 2006 15:04 MST") + " by loadscribe " + doc.Made.Version + fmt.Sprintf("page %d of %d", n+1, len(pages)))
	body, found := strings.CutSuffix(pages[n], foot)
	if !found {
		t.Fatalf("page %d has no foot %s: …%s", n+1, foot, pages[n][max(0, len(pages[n])-80):])
	}
	if n == 0 {
		return body
	}
	for _, s := range doc.Sections {
		wide := 612.0
		if doc.Data.Site.Units == quantity.SI {
			wide = 595.28
		}
		left, right := headWords(doc.Title, s.Title, wide-2*sideMargin)
		if cut, found := strings.CutSuffix(body, squeeze(left+right)); found && s.Level == 1 {
			return cut
		}
	}
	t.Fatalf("page %d has no head: …%s", n+1, body[max(0, len(body)-80):])
	return ""
}

// Everything that the document states stands in the file's text, in its order, with no
// more between than a table's head that is repeated, a point's mark, and the words of
// pictures.
func TestAllText(t *testing.T) {
	for _, units := range []quantity.System{quantity.US, quantity.SI} {
		doc := sample(units)
		pdf := render(t, doc)
		holdsAll(t, doc, pdf)
		inside(t, pdf)
	}
}

func holdsAll(t *testing.T, doc *report.Document, pdf []byte) {
	t.Helper()
	pages := pagesOf(t, pdf)
	whole := ""
	for n := range pages {
		whole += bodyOf(t, doc, pages, n)
	}
	at := 0
	for _, want := range said(doc) {
		text := squeeze(chart.Shown(want.text))
		i := strings.Index(whole[at:], text)
		if i < 0 {
			t.Fatalf("not in the file, or not in its place: %q, after …%s", want.text, whole[max(0, at-120):at])
		}
		between := whole[at : at+i]
		if between = strings.TrimPrefix(between, want.may); between != "" && between != "•" && !want.any {
			t.Errorf("before %q stands %q, which the document does not say", want.text, between)
		}
		at += i + len(text)
	}
}

// saying is a text, and what may stand before it that is not the document's own.
type saying struct {
	text, may string
	any       bool
}

// said is all that a document states, in its order.
func said(doc *report.Document) (all []saying) {
	all = append(all, saying{text: doc.Title})
	contents, titles := "Contents", numbered(doc)
	for i, s := range doc.Sections {
		if s.Level == 1 {
			contents += titles[i]
		}
	}
	period, numbers := true, false // of the first page, which has them besides
	for i, s := range doc.Sections {
		all = append(all, saying{text: titles[i], any: period || numbers})
		period, numbers = false, false
		all = append(all, saidBlocks(s.Blocks)...)
		if next := i + 1; contents != "" && (next == len(doc.Sections) || doc.Sections[next].Level == 1) {
			all = append(all, saying{text: contents})
			contents, numbers = "", true
		}
	}
	return all
}

// numbered are the sections' titles, those of level 1 with their numbers.
func numbered(doc *report.Document) (titles []string) {
	n := 0
	for _, s := range doc.Sections {
		if s.Level == 1 {
			n++
			s.Title = fmt.Sprint(n, " ", s.Title)
		}
		titles = append(titles, s.Title)
	}
	return titles
}

// boxWords are set before the titles of boxes that do not begin with them.
var boxWords = map[string]string{report.BoxFinding: "Finding: ", report.BoxCaution: "Caution: ", report.BoxGap: "Not known: "}

func saidBlocks(blocks []report.Block) (all []saying) {
	add := func(t report.Text, may string, any bool) { all = append(all, saying{join(t), may, any}) }
	for _, b := range blocks {
		switch {
		case b.Text != nil:
			add(b.Text, "", false)
		case b.List != nil:
			for _, t := range b.List {
				add(t, "", false)
			}
		case b.Facts != nil:
			for _, f := range b.Facts {
				all = append(all, saying{text: f.Name + join(f.Is)})
			}
		case b.Table != nil:
			head := ""
			for _, c := range b.Table.Columns {
				head += squeeze(c.Head + c.Unit)
			}
			all = append(all, saying{text: b.Table.Caption + head})
			for _, row := range b.Table.Rows {
				text := ""
				for _, cell := range row {
					text += join(cell)
				}
				all = append(all, saying{text: text, may: head})
			}
			for _, n := range b.Table.Notes {
				add(n, "", false)
			}
		case b.Chart != nil:
			all = append(all, saying{text: b.Chart.Title}, saying{text: b.Chart.Summary, any: true})
		case b.Box != nil:
			all = append(all, saying{text: boxWords[b.Box.Kind] + b.Box.Title})
			all = append(all, saidBlocks(b.Box.Blocks)...)
		case b.Plain != "":
			all = append(all, saying{text: b.Plain})
		}
	}
	return all
}

func join(t report.Text) (text string) {
	for _, run := range t {
		text += run.Text
	}
	return text
}

// TestPeriod: a window that ends with the last reading ends at midnight for a reader, as
// the section about the report says.
func TestPeriod(t *testing.T) {
	doc := sample(quantity.US)
	doc.Made.To = "2026-03-09T05:59:59.001Z"
	if got, want := (&printer{doc: doc}).period(), "2 March 2026 00:00 CST to 9 March 2026 00:00 CST"; got != want {
		t.Errorf("period %q, want %q", got, want)
	}
}
