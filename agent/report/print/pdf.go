package print

import (
	"bytes"
	"fmt"
	"time"

	"codeberg.org/go-pdf/fpdf"

	"loadscribe/agent/chart"
	"loadscribe/agent/quantity"
	"loadscribe/agent/report"
)

// Families of fonts as the file names them.
const (
	family = "go"
	mono   = "gomono"
)

// Margins of a page. Text keeps to a measure that the eye can follow from one line to
// the next; tables and pictures take the whole width.
const (
	sideMargin   = 56
	topMargin    = 64
	bottomMargin = 58
	textMeasure  = 452
)

// printer lays one document out.
type printer struct {
	doc           *report.Document
	pdf           *fpdf.Fpdf
	width, height float64 // of the page
	y             float64 // where the next piece begins
	fresh         bool    // nothing stands on the page yet
	page          int
	links         map[string]int // of sections, by ID
	parts         int            // sections of level 1 so far
	pages         []int          // on which those begin
	contents      []entry        // their lines on the first page
	heads         []string       // of each page, what its section is called
	section       string
	lacks         bool
}

// entry is a line of the contents.
type entry struct {
	onPage   int     // where it stands
	right, y float64 // where the number of the page ends
}

// PDF renders the document.
func PDF(doc *report.Document) ([]byte, error) {
	made, err := time.Parse(time.RFC3339Nano, doc.Made.At)
	if err != nil {
		return nil, fmt.Errorf("print: when the report was made: %w", err)
	}
	p := &printer{doc: doc, links: map[string]int{}, lacks: lacksLetters(doc)}
	size := "A4"
	if doc.Data != nil && doc.Data.Site != nil && doc.Data.Site.Units == quantity.US {
		size = "Letter"
	}
	p.open(size, made.UTC())
	p.frontPage()
	p.finish()
	var file bytes.Buffer
	if err := p.pdf.Output(&file); err != nil {
		return nil, fmt.Errorf("print: %w", err)
	}
	return file.Bytes(), nil
}

// open begins the file.
func (p *printer) open(size string, made time.Time) {
	pdf := fpdf.New("P", "pt", size, "")
	pdf.SetCatalogSort(true)
	pdf.SetCreationDate(made)
	pdf.SetModificationDate(made)
	pdf.SetProducer("loadscribe "+chart.Shown(p.doc.Made.Version), true)
	pdf.SetCreator("loadscribe", true)
	pdf.SetTitle(chart.Shown(p.doc.Title), true)
	pdf.SetAuthor(chart.Shown(p.author()), true)
	pdf.SetSubject(chart.Shown("Compressed air, "+p.period()), true)
	pdf.SetLang("en")
	pdf.SetAutoPageBreak(false, 0)
	pdf.SetMargins(sideMargin, topMargin, sideMargin)
	pdf.SetCellMargin(0)
	pdf.AddUTF8FontFromBytes(family, "", chart.Regular().TTF())
	pdf.AddUTF8FontFromBytes(family, "B", chart.Bold().TTF())
	pdf.AddUTF8FontFromBytes(mono, "", chart.Mono().TTF())
	p.pdf = pdf
	p.width, p.height = pdf.GetPageSize()
}

// author is who the site says prepared the report, or the program.
func (p *printer) author() string {
	if p.doc.Data != nil && p.doc.Data.Site != nil && p.doc.Data.Site.Report.PreparedBy != "" {
		return p.doc.Data.Site.Report.PreparedBy
	}
	return "loadscribe"
}

// period is the window as the site's people read it: to the minute, since one that ends
// with the last reading ends a moment before midnight.
func (p *printer) period() string {
	minute := func(stamp string) string {
		if t, err := time.Parse(time.RFC3339Nano, stamp); err == nil {
			stamp = t.Round(time.Minute).Format(time.RFC3339Nano)
		}
		return p.when(stamp)
	}
	return minute(p.doc.Made.From) + " to " + minute(p.doc.Made.To)
}

// when is a time in the site's zone, whose name stands beside it.
func (p *printer) when(stamp string) string {
	t, err := time.Parse(time.RFC3339Nano, stamp)
	if err != nil {
		return stamp
	}
	if p.doc.Data != nil && p.doc.Data.Site != nil && p.doc.Data.Site.Location != nil {
		t = t.In(p.doc.Data.Site.Location)
	}
	return t.Format("2 January 2006 15:04 MST")
}
