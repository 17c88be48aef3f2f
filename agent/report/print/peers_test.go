package print

import (
	"encoding/xml"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"unicode"

	"loadscribe/agent/report"
	"loadscribe/testdata/peers"
)

// poppler runs one of poppler's programs, an independent reader of PDFs, on a file; the
// test is left out where it is not installed, or fails under LOADSCRIBE_PEERS=require.
func poppler(t *testing.T, pdf []byte, program string, args ...string) string {
	t.Helper()
	if testing.Short() {
		t.Skip("-short: reading a file back takes a second, and nothing runs beside it")
	}
	path, err := exec.LookPath(program)
	if err != nil {
		peers.Missing(t, "independent peer %s is not installed (see .ci/peers)", program)
	}
	file := filepath.Join(t.TempDir(), "report.pdf")
	if err := os.WriteFile(file, pdf, 0o600); err != nil {
		t.Fatal(err)
	}
	for i := range args {
		if args[i] == "FILE" {
			args[i] = file
		}
	}
	out, err := exec.Command(path, args...).CombinedOutput()
	if err != nil {
		t.Fatalf("%s %v: %v\n%s", program, args, err, out)
	}
	if text := string(out); strings.Contains(text, "Syntax Error") || strings.Contains(text, "Syntax Warning") {
		t.Errorf("%s complains:\n%.2000s", program, text)
	}
	return string(out)
}

func render(t *testing.T, doc *report.Document) []byte {
	t.Helper()
	pdf, err := PDF(doc)
	if err != nil {
		t.Fatal(err)
	}
	return pdf
}

// pagesOf is the text of each page in the order in which it was drawn, without white
// space.
func pagesOf(t *testing.T, pdf []byte) (pages []string) {
	t.Helper()
	text := poppler(t, pdf, "pdftotext", "-raw", "-enc", "UTF-8", "FILE", "-")
	for _, page := range strings.Split(strings.TrimSuffix(text, "\f"), "\f") {
		pages = append(pages, squeeze(page))
	}
	return pages
}

func squeeze(text string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsSpace(r) {
			return -1
		}
		return r
	}, text)
}

// place is a word and where it stands, in points from the page's top left.
type place struct {
	Text string  `xml:",chardata"`
	X0   float64 `xml:"xMin,attr"`
	Y0   float64 `xml:"yMin,attr"`
	X1   float64 `xml:"xMax,attr"`
	Y1   float64 `xml:"yMax,attr"`
}

type sheet struct {
	Width  float64 `xml:"width,attr"`
	Height float64 `xml:"height,attr"`
	Words  []place `xml:"word"`
}

func sheetsOf(t *testing.T, pdf []byte) []sheet {
	t.Helper()
	text := poppler(t, pdf, "pdftotext", "-bbox", "-enc", "UTF-8", "FILE", "-")
	from, to := strings.Index(text, "<doc>"), strings.Index(text, "</doc>")
	if from < 0 || to < 0 {
		t.Fatalf("pdftotext -bbox says no pages:\n%.300s", text)
	}
	var doc struct {
		Pages []sheet `xml:"page"`
	}
	if err := xml.Unmarshal([]byte(text[from:to]+"</doc>"), &doc); err != nil {
		t.Fatal(err)
	}
	return doc.Pages
}

// inside fails where a word leaves the margins or stands on another.
func inside(t *testing.T, pdf []byte) {
	t.Helper()
	const slack = 1.0
	for n, s := range sheetsOf(t, pdf) {
		for i, w := range s.Words {
			if w.X0 < sideMargin-slack || w.X1 > s.Width-sideMargin+slack || w.Y0 < 24 || w.Y1 > s.Height-20 {
				t.Errorf("page %d: %q leaves the margins: x %.1f to %.1f of %.0f, y %.1f to %.1f of %.0f", n+1, w.Text, w.X0, w.X1, s.Width, w.Y0, w.Y1, s.Height)
			}
			for _, o := range s.Words[i+1:] {
				// Boxes of lines that follow one another closely touch: a third of the
				// lower one is the letters' own room above them.
				across := min(w.X1, o.X1) - max(w.X0, o.X0)
				down := min(w.Y1, o.Y1) - max(w.Y0, o.Y0)
				if across > slack && down > 0.4*min(w.Y1-w.Y0, o.Y1-o.Y0) {
					t.Errorf("page %d: %q stands on %q at x %.1f, y %.1f", n+1, w.Text, o.Text, o.X0, o.Y0)
				}
			}
		}
	}
}

// bookmark is a line of the outline as pdftohtml reads it.
type bookmark struct {
	Title string
	Page  int
	Level int
}

func outlineOf(t *testing.T, pdf []byte) (all []bookmark) {
	t.Helper()
	text := poppler(t, pdf, "pdftohtml", "-xml", "-i", "-stdout", "FILE")
	from := strings.Index(text, "<outline>")
	if from < 0 {
		return nil
	}
	in, level := xml.NewDecoder(strings.NewReader(text[from:])), 0
	in.Strict = false
	for {
		token, err := in.Token()
		if err != nil {
			t.Fatalf("outline: %v", err)
		}
		switch of := token.(type) {
		case xml.StartElement:
			if of.Name.Local == "outline" {
				level++
				continue
			}
			page := 0
			for _, a := range of.Attr {
				if a.Name.Local == "page" {
					page, _ = strconv.Atoi(a.Value)
				}
			}
			all = append(all, bookmark{Page: page, Level: level})
		case xml.CharData:
			if len(all) > 0 {
				all[len(all)-1].Title += strings.Trim(string(of), "\n")
			}
		case xml.EndElement:
			if of.Name.Local == "outline" {
				if level--; level == 0 {
					return all
				}
			}
		}
	}
}
