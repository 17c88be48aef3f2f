package main

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"unicode"

	"loadscribe/agent/evidence"
	"loadscribe/agent/report"
	"loadscribe/agent/report/print"
	"loadscribe/testdata/peers"
)

// TestReportPDFNumbers reads a recorded day's report.pdf with an independent reader
// (poppler's pdftotext): every paragraph, fact and row that has a number of the report in
// it stands there, word for word, in the order of report.json.
func TestReportPDFNumbers(t *testing.T) {
	pdftotext := peers.Path(t, "pdftotext")
	if testing.Short() {
		t.Skip("no goroutine of ours")
	}
	doc := reportOfADay(t)
	pdf, err := print.PDF(doc)
	if err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(t.TempDir(), "report.pdf")
	if err := os.WriteFile(file, pdf, 0o600); err != nil {
		t.Fatal(err)
	}
	out, err := exec.Command(pdftotext, "-raw", "-enc", "UTF-8", file, "-").CombinedOutput()
	if err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	if got := evidence.FromMail(out); string(got) != doc.Made.Checkpoint || len(got) == 0 {
		t.Errorf("the checkpoint copied from report.pdf is %q, not %q", got, doc.Made.Checkpoint)
	}
	for line := range strings.Lines(doc.Made.Checkpoint) {
		if !strings.Contains(string(out), line) {
			t.Errorf("a line of the checkpoint is broken in report.pdf: %s", line)
		}
	}
	text, numbers := pagesJoined(t, doc, string(out)), 0
	for _, s := range doc.Sections {
		for _, unit := range numbersIn(s.Blocks) {
			want := tight(unit.text)
			i := strings.Index(text, want)
			if i < 0 {
				t.Errorf("section %s: not in report.pdf after what stands before it: %q", s.ID, unit.text)
				continue
			}
			numbers += unit.numbers
			text = text[i+len(want):]
		}
	}
	if numbers < 400 {
		t.Errorf("only %d numbers", numbers)
	}
}

// tight is a text without white space.
func tight(text string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsSpace(r) {
			return -1
		}
		return r
	}, text)
}

// pagesJoined is the text of the pages without their heads and feet, so that what goes
// on overleaf is whole; these come last on a page, in the order in which it is drawn.
func pagesJoined(t *testing.T, doc *report.Document, text string) string {
	t.Helper()
	var titles []string
	for _, s := range doc.Sections {
		titles = append(titles, regexp.QuoteMeta(tight(s.Title)))
	}
	last := regexp.MustCompile("(" + regexp.QuoteMeta(tight(doc.Title)) + "(" + strings.Join(titles, "|") + "))?" + `Made[^ ]{1,60}page([0-9]+)of[0-9]+$`)
	var all strings.Builder
	for n, page := range strings.Split(strings.TrimSuffix(text, "\f"), "\f") {
		page = tight(page)
		at := last.FindStringSubmatchIndex(page)
		if at == nil || page[at[6]:at[7]] != fmt.Sprint(n+1) {
			t.Fatalf("page %d has no foot: …%s", n+1, page[max(0, len(page)-100):])
		}
		all.WriteString(page[:at[0]])
	}
	return all.String()
}

// numbered is what is drawn in one go, and how many of the report's numbers it has.
type numbered struct {
	text    string
	numbers int
}

// numbersIn are the paragraphs, points, facts and rows of blocks that have numbers.
func numbersIn(blocks []report.Block) (all []numbered) {
	add := func(texts ...report.Text) {
		var u numbered
		for _, t := range texts {
			for _, run := range t {
				u.text += run.Text
				if run.At != "" {
					u.numbers++
				}
			}
		}
		if u.numbers > 0 {
			all = append(all, u)
		}
	}
	for _, b := range blocks {
		add(b.Text)
		for _, point := range b.List {
			add(point)
		}
		for _, f := range b.Facts {
			add(f.Is)
		}
		if b.Table != nil {
			for _, row := range b.Table.Rows {
				add(row...)
			}
			for _, note := range b.Table.Notes {
				add(note)
			}
		}
		if b.Box != nil {
			all = append(all, numbersIn(b.Box.Blocks)...)
		}
	}
	return all
}
