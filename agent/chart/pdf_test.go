package chart

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"codeberg.org/go-pdf/fpdf"

	"loadscribe/testdata/peers"
)

// bytesOf is a document made at one time.
func bytesOf(t *testing.T, pdf *fpdf.Fpdf) []byte {
	t.Helper()
	made := time.Date(2026, 3, 9, 6, 0, 0, 0, time.UTC)
	pdf.SetCreationDate(made)
	pdf.SetModificationDate(made)
	pdf.SetCatalogSort(true)
	var b bytes.Buffer
	if err := pdf.Output(&b); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// TestPDF: the same bytes again, words for who cannot see, and pens as they were.
func TestPDF(t *testing.T) {
	if testing.Short() {
		t.Skip("writes fonts and pictures a second time to compare")
	}
	all := append(samples(), oddSamples()...)
	first := bytesOf(t, paper(t, all, 500))
	if !bytes.Equal(first, bytesOf(t, paper(t, all, 500))) {
		t.Error("other bytes the second time")
	}
	if n := bytes.Count(first, []byte("/Figure <</Alt <FEFF")); n != len(all) || n != bytes.Count(first, []byte("\nEMC\n")) {
		t.Errorf("%d charts, %d with words, %d ends", len(all), n, bytes.Count(first, []byte("\nEMC\n")))
	}
	pdf := fpdf.New("P", "mm", "A4", "")
	pdf.AddUTF8FontFromBytes("go", "", Regular().TTF())
	pdf.AddUTF8FontFromBytes("go", "B", Bold().TTF())
	pdf.AddPage()
	pdf.SetFont("go", "B", 13)
	pdf.SetLineWidth(1.5)
	pdf.SetDrawColor(1, 2, 3)
	pdf.SetFillColor(4, 5, 6)
	pdf.SetTextColor(7, 8, 9)
	pdf.SetXY(33, 44)
	before := pens(pdf)
	for _, c := range all {
		PDF(pdf, c, 40, 40, 300, "go")
		if got := pens(pdf); got != before {
			t.Errorf("%.30s: pens are %+v afterwards, were %+v", c.Title, got, before)
		}
	}
}

type penState struct {
	family, style      string
	size, line, x, y   float64
	join, end          string
	draw, fill, letter [3]int
	alpha              float64
}

func pens(pdf *fpdf.Fpdf) (s penState) {
	s.family, s.style, s.line = pdf.GetFontFamily(), pdf.GetFontStyle(), pdf.GetLineWidth()
	s.size, _ = pdf.GetFontSize()
	s.x, s.y = pdf.GetXY()
	s.join, s.end = pdf.GetLineJoinStyle(), pdf.GetLineCapStyle()
	s.draw[0], s.draw[1], s.draw[2] = pdf.GetDrawColor()
	s.fill[0], s.fill[1], s.fill[2] = pdf.GetFillColor()
	s.letter[0], s.letter[1], s.letter[2] = pdf.GetTextColor()
	s.alpha, _ = pdf.GetAlpha()
	return s
}

// TestPDFText: another reader finds every text of a picture on its page.
func TestPDFText(t *testing.T) {
	pdftotext := peers.Path(t, "pdftotext")
	file := filepath.Join(t.TempDir(), "charts.pdf")
	if err := paper(t, samples(), 500).OutputFileAndClose(file); err != nil {
		t.Fatal(err)
	}
	out, err := exec.Command(pdftotext, "-raw", file, "-").Output()
	if err != nil {
		t.Fatal(err)
	}
	pages := strings.Split(string(out), "\f")
	if len(pages) != len(samples())+1 {
		t.Fatalf("%d pages, want %d", len(pages)-1, len(samples()))
	}
	for i, c := range samples() {
		got := strings.Join(strings.Fields(pages[i]), "")
		r := &recorder{}
		paintChart(r, c, 500)
		for _, text := range r.texts {
			if want := strings.Join(strings.Fields(Shown(text.s)), ""); !strings.Contains(got, want) {
				t.Errorf("%s: %q is not in the PDF", c.Title, text.s)
			}
		}
	}
}

// TestBrowserLetters: in a browser with letters of its own every text stays within the
// picture.
func TestBrowserLetters(t *testing.T) {
	if testing.Short() {
		t.Skip("starts a browser")
	}
	chromium := peers.Path(t, "chromium")
	page := `<!doctype html><meta charset="utf-8"><title>t</title>`
	n := 0
	for _, c := range append(samples(), oddSamples()...) {
		for _, w := range []float64{260, 500} {
			page += SVG(c, w)
			n++
		}
	}
	page += `<pre id="out"></pre><script>
let bad = [], seen = 0;
for (const svg of document.querySelectorAll('svg')) {
  seen++;
  const [, , w, h] = svg.getAttribute('viewBox').split(' ').map(Number);
  for (const t of svg.querySelectorAll('text')) {
    const b = t.getBBox();
    if (b.x < -1 || b.x + b.width > w + 1 || b.y < -2 || b.y + b.height > h + 2) bad.push(svg.querySelector('title').textContent.slice(0, 30) + ' at ' + w + ': ' + t.textContent + ' at ' + b.x.toFixed(1) + ' to ' + (b.x + b.width).toFixed(1) + ', ' + b.y.toFixed(1) + ' to ' + (b.y + b.height).toFixed(1));
  }
}
document.body.innerHTML = '<pre>seen ' + seen + '\n' + bad.join('\n') + '\nend</pre>';
</script>`
	file := filepath.Join(t.TempDir(), "page.html")
	if err := os.WriteFile(file, []byte(page), 0o600); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(chromium, "--headless", "--no-sandbox", "--disable-gpu", "--user-data-dir="+t.TempDir(), "--dump-dom", "file://"+file)
	out, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	_, rest, ok := strings.Cut(string(out), "<pre>seen "+number(float64(n))+"\n")
	bad, _, end := strings.Cut(rest, "\nend</pre>")
	if !ok || !end {
		t.Fatalf("the page did not look at all %d pictures: %.300s", n, out)
	}
	if bad != "" {
		t.Errorf("not inside:\n%s", bad)
	}
}
