package workbook

import (
	"archive/zip"
	"bytes"
	"cmp"
	"fmt"
	"io"
	"regexp"
	"slices"
	"time"

	"github.com/xuri/excelize/v2"

	"loadscribe/agent/quantity"
	"loadscribe/agent/report"
)

// book is a workbook while it is written.
type book struct {
	file   *excelize.File
	doc    *report.Document
	data   *report.Data
	units  quantity.System
	zone   *time.Location
	styles map[look]int
	prices priceCells
}

// look is what a cell looks like.
type look struct {
	format string // of numbers; empty: general
	head   bool
	input  bool // meant to be changed
	strong bool
	wrap   bool
}

// Write writes the workbook.
func Write(doc *report.Document) ([]byte, error) {
	b := &book{file: excelize.NewFile(), doc: doc, data: doc.Data, units: doc.Data.Site.Units, zone: doc.Data.Site.Location,
		styles: map[look]int{}}
	defer b.file.Close()
	for _, s := range []struct {
		name  string
		write func(*sheet) error
	}{
		{"Read me", b.readMe}, {"Prices", b.priceSheet}, {"Cost", b.costSheet}, {"Figures", b.figureSheet},
		{"Findings", b.findingSheet}, {"Alternatives", b.alternativeSheet}, {"Tables", b.tableSheet},
		{"Demand", b.demandSheet}, {"Duration", b.durationSheet}, {"Quarter hours", b.intervalSheet}, {"Events", b.eventSheet},
		{"Instruments", b.instrumentSheet},
	} {
		if err := b.sheet(s.name, s.write); err != nil {
			return nil, fmt.Errorf("workbook, sheet %s: %w", s.name, err)
		}
	}
	if err := b.finish(); err != nil {
		return nil, fmt.Errorf("workbook: %w", err)
	}
	out, err := b.file.WriteToBuffer()
	if err != nil {
		return nil, fmt.Errorf("workbook: %w", err)
	}
	return inOrder(out.Bytes())
}

// finish names the file and has every formula reckoned where it is opened.
func (b *book) finish() error {
	if err := b.file.DeleteSheet("Sheet1"); err != nil {
		return err
	}
	b.file.SetActiveSheet(0)
	yes := true
	if err := b.file.SetCalcProps(&excelize.CalcPropsOptions{FullCalcOnLoad: &yes}); err != nil {
		return err
	}
	at := b.doc.Made.At
	if t, err := time.Parse(time.RFC3339Nano, at); err == nil {
		at = t.UTC().Format("2006-01-02T15:04:05Z")
	}
	return b.file.SetDocProps(&excelize.DocProperties{Title: clean(b.doc.Title), Creator: "loadscribe " + b.doc.Made.Version,
		Subject: "figures of a compressed-air report", Created: at, Modified: at})
}

// inOrder writes an archive anew: parts by name, no time of day.
func inOrder(from []byte) ([]byte, error) {
	in, err := zip.NewReader(bytes.NewReader(from), int64(len(from)))
	if err != nil {
		return nil, err
	}
	// readers look for the list of contents first
	first := func(f *zip.File) int {
		if f.Name == "[Content_Types].xml" {
			return 0
		}
		return 1
	}
	slices.SortFunc(in.File, func(x, y *zip.File) int {
		return cmp.Or(cmp.Compare(first(x), first(y)), cmp.Compare(x.Name, y.Name))
	})
	var out bytes.Buffer
	w := zip.NewWriter(&out)
	for _, f := range in.File {
		to, err := w.CreateHeader(&zip.FileHeader{Name: f.Name, Method: zip.Deflate})
		if err != nil {
			return nil, err
		}
		part, err := f.Open()
		if err != nil {
			return nil, err
		}
		body, err := io.ReadAll(part)
		if err != nil {
			return nil, err
		}
		if first(f) == 0 {
			body = sortedDefaults(body)
		}
		if _, err := to.Write(body); err != nil {
			return nil, err
		}
		if err := part.Close(); err != nil {
			return nil, err
		}
	}
	if err := w.Close(); err != nil {
		return nil, err
	}
	return out.Bytes(), nil
}

// sortedDefaults puts the kinds of files, which the library lists in no order, into one.
func sortedDefaults(types []byte) []byte {
	one := regexp.MustCompile(`<Default [^>]*></Default>`)
	all := one.FindAllString(string(types), -1)
	slices.Sort(all)
	next := -1
	return one.ReplaceAllFunc(types, func([]byte) []byte {
		next++
		return []byte(all[next])
	})
}

// style is the number of a look.
func (b *book) style(l look) (int, error) {
	if id, ok := b.styles[l]; ok {
		return id, nil
	}
	s := &excelize.Style{Alignment: &excelize.Alignment{Vertical: "top", WrapText: l.wrap || l.head}}
	if l.format != "" {
		s.CustomNumFmt = &l.format
	}
	s.Font = &excelize.Font{Bold: l.head || l.strong, Family: "Calibri", Size: 11}
	switch {
	case l.head:
		s.Fill = excelize.Fill{Type: "pattern", Pattern: 1, Color: []string{"E4E8EB"}}
		s.Border = []excelize.Border{{Type: "bottom", Color: "5B6770", Style: 1}}
	case l.input:
		s.Fill = excelize.Fill{Type: "pattern", Pattern: 1, Color: []string{"FFF4CC"}}
		for _, side := range []string{"left", "right", "top", "bottom"} {
			s.Border = append(s.Border, excelize.Border{Type: side, Color: "8A6D00", Style: 1})
		}
	}
	id, err := b.file.NewStyle(s)
	b.styles[l] = id
	return id, err
}
