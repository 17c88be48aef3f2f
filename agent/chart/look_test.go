package chart

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"codeberg.org/go-pdf/fpdf"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
)

// paper is a document with each chart on a page of its own, in a unit that is not points.
func paper(t *testing.T, charts []*Chart, widthPt float64) *fpdf.Fpdf {
	t.Helper()
	pdf := fpdf.New("P", "mm", "A4", "")
	pdf.SetCompression(false)
	pdf.AddUTF8FontFromBytes("go", "", goregular.TTF)
	pdf.AddUTF8FontFromBytes("go", "B", gobold.TTF)
	for _, c := range charts {
		pdf.AddPage()
		PDF(pdf, c, 40, 40, widthPt, "go")
	}
	if pdf.Err() {
		t.Fatal(pdf.Error())
	}
	return pdf
}

// TestLook writes every sample where LOADSCRIBE_LOOK names a directory, to be looked at.
func TestLook(t *testing.T) {
	dir := os.Getenv("LOADSCRIBE_LOOK")
	if dir == "" {
		t.Skip("LOADSCRIBE_LOOK names no directory to write pictures to")
	}
	all := append(samples(), oddSamples()...)
	for i := 0; i < len(all); i += 3 {
		page := "<!doctype html><meta charset=utf-8><style>@media(prefers-color-scheme:dark){:root{" + CSS(true) + "}body{background:#172028;color:#eee}}body{font:12px sans-serif;margin:12px}p{overflow:hidden;white-space:nowrap}</style>"
		for _, c := range all[i:min(i+3, len(all))] {
			page += fmt.Sprintf("<p>%s: %d bytes</p>%s\n", escape(c.Title), len(SVG(c, 500)), SVG(c, 500))
		}
		if err := os.WriteFile(filepath.Join(dir, fmt.Sprintf("look-%d.html", i/3+1)), []byte(page), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if err := paper(t, all, 500).OutputFileAndClose(filepath.Join(dir, "look.pdf")); err != nil {
		t.Fatal(err)
	}
}
