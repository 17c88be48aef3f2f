package page

import (
	"context"
	"encoding/xml"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"loadscribe/agent/report"
	"loadscribe/testdata/peers"
)

// browse opens a page in Chromium (dashboard/web/e2e/report.test.mjs: axe-core in both
// themes, widths, printing) and returns the directory with its shots and prints.
// SHOTS_DIR keeps them.
func browse(t *testing.T, page, hostile []byte) string {
	t.Helper()
	chromium, node := peers.Path(t, "chromium"), peers.Path(t, "node")
	web, err := filepath.Abs("../../../dashboard/web")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := os.Stat(filepath.Join(web, "node_modules", "playwright-core")); err != nil {
		peers.Missing(t, "the page's packages are not installed: make build")
	}
	dir := t.TempDir()
	if kept := os.Getenv("SHOTS_DIR"); kept != "" {
		dir = kept
		t.Setenv("SHOTS", "1")
		if err := os.MkdirAll(dir, 0o755); err != nil {
			t.Fatal(err)
		}
	}
	file, other := filepath.Join(dir, "report.html"), filepath.Join(dir, "hostile.html")
	for path, text := range map[string][]byte{file: page, other: hostile} {
		if err := os.WriteFile(path, text, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	ctx, cancel := context.WithTimeout(t.Context(), 8*time.Minute)
	defer cancel()
	cmd := exec.CommandContext(ctx, node, "e2e/report.test.mjs")
	cmd.Cancel = func() error { return cmd.Process.Signal(os.Interrupt) } // the browser ends with it
	cmd.WaitDelay = 10 * time.Second
	cmd.Dir = web
	cmd.Env = append(os.Environ(), "REPORT="+file, "HOSTILE="+other, "CHROMIUM="+chromium, "OUT_DIR="+dir)
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("the page's checks failed: %v\n%s", err, out)
	}
	if !regexp.MustCompile(`(?m)^\d+ passed$`).Match(out) {
		t.Fatalf("the page's checks did not run:\n%s", out)
	}
	return dir
}

// sheet is a printed page as pdftotext -bbox finds it.
type sheet struct {
	Width  float64 `xml:"width,attr"`
	Height float64 `xml:"height,attr"`
	Words  []word  `xml:"word"`
}

type word struct {
	Left   float64 `xml:"xMin,attr"`
	Top    float64 `xml:"yMin,attr"`
	Right  float64 `xml:"xMax,attr"`
	Bottom float64 `xml:"yMax,attr"`
	Text   string  `xml:",chardata"`
}

func sheets(t *testing.T, pdf string) []sheet {
	t.Helper()
	out, err := exec.Command(peers.Path(t, "pdftotext"), "-bbox", pdf, "-").Output()
	if err != nil {
		t.Fatal(err)
	}
	var doc struct {
		Pages []sheet `xml:"body>doc>page"`
	}
	if err := xml.Unmarshal(out, &doc); err != nil {
		t.Fatal(err)
	}
	return doc.Pages
}

// paper is a format's size in points (ANSI/ASME Y14.1 A: 8.5 by 11 in; ISO 216 A4: 210
// by 297 mm).
var paper = map[string][2]float64{"letter": {612, 792}, "a4": {595.3, 841.9}}

// fits holds pages to their paper: nothing in the margins but the running head and the
// number of the page.
func fits(t *testing.T, pdf, format string) []sheet {
	t.Helper()
	pages, width, height := sheets(t, pdf), paper[format][0], paper[format][1]
	for n, p := range pages {
		if p.Width < width-1 || p.Width > width+1 || p.Height < height-1 || p.Height > height+1 {
			t.Errorf("%s: page %d is %g × %g", pdf, n+1, p.Width, p.Height)
		}
		var foot []string
		for _, w := range p.Words {
			if w.Left < 45 || w.Right > width-36 || // half an inch: a picture's words may be a little wider than measured
				w.Top < 15 || w.Bottom > height-15 {
				t.Errorf("%s: page %d: %q lies in the margin: %+v", pdf, n+1, w.Text, w)
			}
			if w.Top > height-50 {
				foot = append(foot, w.Text)
			}
		}
		if want := fmt.Sprintf("page %d of %d", n+1, len(pages)); strings.Join(foot, " ") != want {
			t.Errorf("%s: the foot of page %d is %q, want %q", pdf, n+1, foot, want)
		}
	}
	return pages
}

// whole holds the sample on paper to what must stay together, and to all its numbers.
func whole(t *testing.T, pdf string, pages []sheet, doc *report.Document) {
	t.Helper()
	first, count := map[string]int{}, map[string]int{}
	for n, p := range pages {
		for _, w := range p.Words {
			if count[w.Text]++; first[w.Text] == 0 {
				first[w.Text] = n + 1
			}
		}
	}
	for m := range 2 { // a table over pages has its heading on each
		head, from, to := fmt.Sprintf("Starts%dhead", m), first[fmt.Sprintf("row%da", 100*m)], first[fmt.Sprintf("row%da", 100*m+lastRow)]
		if count[head] != to-from+1 || to == from {
			t.Errorf("%s: a table on pages %d to %d has its head %d times", pdf, from, to, count[head])
		}
	}
	held := 0
	for text := range first {
		name, is := strings.CutSuffix(text, "a")
		if !is || !strings.HasPrefix(name, "row") && !strings.HasPrefix(name, "box") {
			continue
		}
		if held++; first[name+"z"] != first[text] {
			t.Errorf("%s: %s begins on page %d and ends on %d", pdf, name, first[text], first[name+"z"])
		}
	}
	if held != 2*(lastRow+1)+sampleBoxes {
		t.Errorf("%s: %d rows and boxes are on paper", pdf, held)
	}
	for i := range doc.Sections {
		each(doc.Sections[i].Blocks, func(text report.Text) {
			for _, r := range text {
				if r.At != "" && count[r.Text] == 0 {
					t.Errorf("%s: %q of %s is not on paper", pdf, r.Text, r.At)
				}
			}
		})
	}
}

// TestBrowser looks at the sample in Chromium, on screens and on paper.
func TestBrowser(t *testing.T) {
	if testing.Short() {
		t.Skip("drives a browser; not under -short")
	}
	doc := sample()
	bad, _ := poisoned()
	dir := browse(t, render(t, doc), render(t, bad))
	for format := range paper {
		pdf := filepath.Join(dir, "report-"+format+".pdf")
		whole(t, pdf, fits(t, pdf, format), doc)
	}
	fits(t, filepath.Join(dir, "hostile-a4.pdf"), "a4")
}
