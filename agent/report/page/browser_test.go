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
)

// peer returns the path of an independent program, or skips the test; under
// LOADSCRIBE_PEERS=require a missing one is a failure.
func peer(t *testing.T, name string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err == nil {
		return path
	}
	if os.Getenv("LOADSCRIBE_PEERS") == "require" {
		t.Fatalf("independent peer %s is not installed (see .ci/peers)", name)
	}
	t.Skipf("independent peer %s is not installed (see .ci/peers)", name)
	return ""
}

// browse opens a page in Chromium (dashboard/web/e2e/report.test.mjs: axe-core in both
// themes, widths, printing) and returns the directory with its shots and prints.
// SHOTS_DIR keeps them.
func browse(t *testing.T, name string, page []byte) string {
	t.Helper()
	chromium, node := peer(t, "chromium"), peer(t, "node")
	web, err := filepath.Abs("../../../dashboard/web")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := os.Stat(filepath.Join(web, "node_modules", "playwright-core")); err != nil {
		if os.Getenv("LOADSCRIBE_PEERS") == "require" {
			t.Fatal("the page's packages are not installed: make build")
		}
		t.Skip("the page's packages are not installed: make build")
	}
	dir := t.TempDir()
	if kept := os.Getenv("SHOTS_DIR"); kept != "" {
		dir = filepath.Join(kept, name)
		t.Setenv("SHOTS", "1")
		if err := os.MkdirAll(dir, 0o755); err != nil {
			t.Fatal(err)
		}
	}
	file := filepath.Join(dir, "report.html")
	if err := os.WriteFile(file, page, 0o644); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 8*time.Minute)
	defer cancel()
	cmd := exec.CommandContext(ctx, node, "e2e/report.test.mjs")
	cmd.Cancel = func() error { return cmd.Process.Signal(os.Interrupt) } // the browser ends with it
	cmd.WaitDelay = 10 * time.Second
	cmd.Dir = web
	cmd.Env = append(os.Environ(), "REPORT="+file, "CHROMIUM="+chromium, "OUT_DIR="+dir)
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
	out, err := exec.Command(peer(t, "pdftotext"), "-bbox", pdf, "-").Output()
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

// printed holds what Chromium printed to the paper: its size (ISO 216 and ANSI Y14.1,
// in points), nothing in the margins but the running head and the page's number, the
// words of the page all there, what must stay whole on one sheet.
func printed(t *testing.T, pdf string, width, height float64, doc *report.Document) {
	t.Helper()
	pages := sheets(t, pdf)
	first, last, all := map[string]int{}, map[string]int{}, map[string]int{}
	for n, p := range pages {
		if p.Width < width-1 || p.Width > width+1 || p.Height < height-1 || p.Height > height+1 {
			t.Errorf("%s: page %d is %g × %g", pdf, n+1, p.Width, p.Height)
		}
		for _, w := range p.Words {
			if w.Left < 45 || w.Right > width-45 || w.Top < 15 || w.Bottom > height-15 {
				t.Errorf("%s: page %d: %q lies in the margin: %+v", pdf, n+1, w.Text, w)
			}
			if all[w.Text] == 0 {
				first[w.Text] = n + 1
			}
			all[w.Text]++
			last[w.Text] = n + 1
		}
		if foot := fmt.Sprintf("page %d of %d", n+1, len(pages)); !strings.Contains(line0(p), foot) {
			t.Errorf("%s: page %d does not say %q", pdf, n+1, foot)
		}
	}
	for m := range 2 { // a table over pages has its heading on each
		head, from, to := fmt.Sprintf("Starts%dhead", m), first[fmt.Sprintf("row%da", 100*m)], first[fmt.Sprintf("row%da", 100*m+39)]
		if all[head] != to-from+1 || to == from {
			t.Errorf("%s: a table on pages %d to %d has its head %d times", pdf, from, to, all[head])
		}
	}
	for text := range first {
		if end := strings.TrimSuffix(text, "a") + "z"; end != text && (strings.HasPrefix(text, "row") || strings.HasPrefix(text, "box")) && strings.HasSuffix(text, "a") && first[end] != first[text] {
			t.Errorf("%s: %s begins on page %d and ends on %d", pdf, text, first[text], first[end])
		}
	}
	for i := range doc.Sections {
		each(doc.Sections[i].Blocks, func(text report.Text) {
			for _, r := range text {
				if r.At != "" && all[r.Text] == 0 {
					t.Errorf("%s: %q of %s is not on paper", pdf, r.Text, r.At)
				}
			}
		})
	}
}

func line0(p sheet) string {
	var words []string
	for _, w := range p.Words {
		if w.Top > p.Height-60 {
			words = append(words, w.Text)
		}
	}
	return strings.Join(words, " ")
}

// TestBrowser looks at the sample in Chromium, on screens and on paper.
func TestBrowser(t *testing.T) {
	if testing.Short() {
		t.Skip("drives a browser; not under -short")
	}
	doc := sample()
	dir := browse(t, "sample", render(t, doc))
	printed(t, filepath.Join(dir, "letter.pdf"), 612, 792, doc)
	printed(t, filepath.Join(dir, "a4.pdf"), 595.3, 841.9, doc)
}
