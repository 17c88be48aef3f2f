package workbook

import (
	"archive/zip"
	"bytes"
	"fmt"
	"math"
	"strconv"
	"strings"
	"testing"

	"github.com/xuri/excelize/v2"

	"loadscribe/agent/analysis"
	"loadscribe/agent/quantity"
	"loadscribe/agent/report"
	"loadscribe/agent/sitefile"
)

func written(t *testing.T, doc *report.Document) []byte {
	t.Helper()
	text, err := Write(doc)
	if err != nil {
		t.Fatal(err)
	}
	return text
}

func opened(t *testing.T, text []byte) *excelize.File {
	t.Helper()
	f, err := excelize.OpenReader(bytes.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { f.Close() })
	return f
}

// TestSameBytes: the same document gives the same workbook.
func TestSameBytes(t *testing.T) {
	if testing.Short() {
		t.Skip("no goroutine of ours")
	}
	doc := sample(t)
	first := written(t, doc)
	for range 3 {
		if !bytes.Equal(first, written(t, doc)) {
			t.Fatal("two workbooks of one document differ")
		}
	}
}

// TestTextIsNoFormula: a name that reads like a formula or markup is a text, and the
// only formulas are those of the sheets that reckon.
func TestTextIsNoFormula(t *testing.T) {
	if testing.Short() {
		t.Skip("no goroutine of ours")
	}
	f := opened(t, written(t, sample(t)))
	formulas := map[string]int{}
	names := 0
	for _, name := range f.GetSheetList() {
		rows, err := f.GetRows(name)
		if err != nil {
			t.Fatal(err)
		}
		for i, row := range rows {
			for j, value := range row {
				at, _ := excelize.CoordinatesToCellName(j+1, i+1)
				says, err := f.GetCellFormula(name, at)
				if err != nil {
					t.Fatal(err)
				}
				if says != "" {
					formulas[name]++
					if strings.Contains(says, "cmd") {
						t.Errorf("%s %s: a name became the formula %s", name, at, says)
					}
				}
				if value == asFormula {
					names++
				}
				if strings.ContainsAny(value, "\x00\x1b") {
					t.Errorf("%s %s holds a control letter: %q", name, at, value)
				}
			}
		}
	}
	if names < 5 {
		t.Errorf("the hostile name stands in %d cells as it is, want 5 at least", names)
	}
	for _, want := range []string{"Cost", "Alternatives", "Quarter hours"} {
		if formulas[want] == 0 {
			t.Errorf("the sheet %s has no formula", want)
		}
		delete(formulas, want)
	}
	if len(formulas) > 0 {
		t.Errorf("formulas where none belong: %v", formulas)
	}
}

// TestHeadsStayInSight: every sheet with columns keeps its first row.
func TestHeadsStayInSight(t *testing.T) {
	f := opened(t, written(t, sample(t)))
	charts := 0
	for _, name := range f.GetSheetList() {
		if name == "Read me" {
			continue
		}
		panes, err := f.GetPanes(name)
		if err != nil || !panes.Freeze || panes.YSplit != 1 {
			t.Errorf("%s: panes %+v, %v; want the first row frozen", name, panes, err)
		}
	}
	in, err := zip.NewReader(bytes.NewReader(written(t, sample(t))), int64(len(written(t, sample(t)))))
	if err != nil {
		t.Fatal(err)
	}
	for _, part := range in.File {
		if strings.HasPrefix(part.Name, "xl/charts/chart") {
			charts++
		}
	}
	if charts != 4 { // demand, duration, savings, days
		t.Errorf("%d charts, want 4", charts)
	}
}

// TestPrinted: each sheet is printed one page wide, and a row has room for the lines
// of its wrapped texts.
func TestPrinted(t *testing.T) {
	f := opened(t, written(t, sample(t)))
	for _, name := range f.GetSheetList() {
		props, err := f.GetSheetProps(name)
		if err != nil || props.FitToPage == nil || !*props.FitToPage {
			t.Errorf("%s: FitToPage %v, %v; want true", name, props.FitToPage, err)
		}
		layout, err := f.GetPageLayout(name)
		if err != nil || layout.FitToWidth == nil || *layout.FitToWidth != 1 || layout.FitToHeight == nil || *layout.FitToHeight != 0 {
			t.Errorf("%s: layout %+v, %v; want one page wide, as long as it takes", name, layout, err)
		}
	}
	rows, err := f.GetRows("Read me")
	if err != nil {
		t.Fatal(err)
	}
	for i, row := range rows {
		if len(row) < 2 || len(row[1]) <= 150 || strings.Contains(row[1], "\n") {
			continue
		}
		if height, err := f.GetRowHeight("Read me", i+1); err != nil || height < 30 {
			t.Errorf("row %d, %d characters in a column of 110: %v points high, %v; want two lines", i+1, len(row[1]), height, err)
		}
		return
	}
	t.Error("no long line on Read me: the test looks at nothing")
}

// TestUnits: values stand in the site's units; 100 psi are 689.4757293 kPa (NIST SP 811,
// B.8: 1 psi = 6.894757 kPa).
func TestUnits(t *testing.T) {
	f := opened(t, written(t, sample(t)))
	rows, err := f.GetRows("Figures", excelize.Options{RawCellValue: true})
	if err != nil {
		t.Fatal(err)
	}
	for _, row := range rows {
		if row[1] == "pressure_mean" {
			value, _ := strconv.ParseFloat(row[3], 64)
			spread, _ := strconv.ParseFloat(row[4], 64)
			if math.Abs(value-100) > 1e-6 || math.Abs(spread-1) > 1e-6 || row[5] != "psi" {
				t.Errorf("pressure_mean is %v ± %v %s, want 100 ± 1 psi", row[3], row[4], row[5])
			}
			if want := "accuracy of meter, power: 100 %; others: under 0.1 %"; row[12] != want {
				t.Errorf("its interval comes from %q, want %q", row[12], want)
			}
			return
		}
	}
	t.Error("the sheet Figures has no pressure_mean")
}

// TestPoor: documents of next to nothing give a workbook.
func TestPoor(t *testing.T) {
	if testing.Short() {
		t.Skip("no goroutine of ours")
	}
	doc := sample(t)
	for name, data := range map[string]*report.Data{
		"nothing":     {Site: doc.Data.Site},
		"no machines": {Site: &sitefile.Site{Location: doc.Data.Site.Location, Units: quantity.SI}},
		"no power":    {Site: doc.Data.Site, Figures: analysis.Report{Machines: []analysis.MachineFigures{{Machine: "a", Figures: []analysis.Figure{{Name: "energy", Absent: "no power"}}}}}},
	} {
		f := opened(t, written(t, &report.Document{Data: data}))
		for _, sheet := range f.GetSheetList() {
			rows, err := f.GetRows(sheet)
			if err != nil {
				t.Fatal(err)
			}
			if text := fmt.Sprint(rows); strings.Contains(text, "NaN") || strings.Contains(text, "<nil>") {
				t.Errorf("%s, sheet %s: %s", name, sheet, text)
			}
		}
	}
}
