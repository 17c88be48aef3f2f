package workbook

import (
	"archive/zip"
	"bytes"
	"encoding/csv"
	"fmt"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
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
			return
		}
	}
	t.Error("the sheet Figures has no pressure_mean")
}

// TestPoor: documents of next to nothing give a workbook.
func TestPoor(t *testing.T) {
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

// TestRecalculated opens the workbook in an independent program, which has to reckon
// every formula itself: the results stored beside them are taken out first.
func TestRecalculated(t *testing.T) {
	office, err := exec.LookPath("soffice")
	if err != nil {
		if os.Getenv("LOADSCRIBE_PEERS") == "require" {
			t.Fatal("soffice is not installed, and LOADSCRIBE_PEERS=require asks for it")
		}
		t.Skip("soffice is not installed")
	}
	if testing.Short() {
		t.Skip("no goroutine of ours")
	}
	doc := sample(t)
	sheets := recalculated(t, office, written(t, doc))
	for _, want := range []struct {
		sheet, what string
		value       float64
	}{
		{"Cost", "energy, all", 20}, {"Cost", "demand, all", 105}, {"Cost", "energy cost year", 1000},
		{"Quarter hours", "all", 15},
	} {
		if got, ok := valueOf(sheets[want.sheet], want.what); !ok || math.Abs(got-want.value) > 1e-9*want.value {
			t.Errorf("%s, %s: %v, want %v", want.sheet, want.what, got, want.value)
		}
	}
	for name, rows := range sheets {
		for _, row := range rows {
			for _, value := range row {
				if regexp.MustCompile(`^(#[A-Z/0]+[!?]?|Err:\d+)$`).MatchString(value) {
					t.Errorf("%s: %q in %q", name, value, row)
				}
			}
		}
	}
}

// valueOf is the first number behind the cell that says what.
func valueOf(rows [][]string, what string) (float64, bool) {
	for _, row := range rows {
		for i, cell := range row {
			if cell != what {
				continue
			}
			// the formula: the sums stand in the first column after it that holds a number
			for _, next := range row[i+1:] {
				if v, err := strconv.ParseFloat(next, 64); err == nil && what != "energy cost year" {
					return v, true
				} else if err == nil && v > 100 {
					return v, true
				}
			}
		}
	}
	return 0, false
}

// recalculated are the cells of each sheet as another program reckons them.
func recalculated(t *testing.T, office string, text []byte) map[string][][]string {
	t.Helper()
	dir := t.TempDir()
	file := filepath.Join(dir, "book.xlsx")
	if err := os.WriteFile(file, withoutResults(t, text), 0o600); err != nil {
		t.Fatal(err)
	}
	// each sheet to a file of its own, numbers as they are and not as they look
	filter := "csv:Text - txt - csv (StarCalc):44,34,76,1,,0,false,false,false,false,false,-1"
	run := exec.Command(office, "-env:UserInstallation=file://"+filepath.Join(dir, "profile"), "--headless", "--convert-to", filter, "--outdir", dir, file)
	if out, err := run.CombinedOutput(); err != nil {
		t.Fatalf("soffice: %v\n%s", err, out)
	}
	made, err := filepath.Glob(filepath.Join(dir, "book-*.csv"))
	if err != nil || len(made) == 0 {
		t.Fatalf("soffice wrote no sheet: %v", err)
	}
	sheets := map[string][][]string{}
	for _, name := range made {
		in, err := os.Open(name)
		if err != nil {
			t.Fatal(err)
		}
		r := csv.NewReader(in)
		r.FieldsPerRecord = -1
		rows, err := r.ReadAll()
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		in.Close()
		sheets[strings.TrimSuffix(strings.TrimPrefix(filepath.Base(name), "book-"), ".csv")] = rows
	}
	return sheets
}

// withoutResults takes the stored result out of each cell with a formula.
func withoutResults(t *testing.T, text []byte) []byte {
	t.Helper()
	in, err := zip.NewReader(bytes.NewReader(text), int64(len(text)))
	if err != nil {
		t.Fatal(err)
	}
	result := regexp.MustCompile(`(</f>)<v>[^<]*</v>`)
	var out bytes.Buffer
	w := zip.NewWriter(&out)
	taken := 0
	for _, f := range in.File {
		part, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		body, err := io.ReadAll(part)
		if err != nil {
			t.Fatal(err)
		}
		part.Close()
		if strings.HasPrefix(f.Name, "xl/worksheets/") {
			taken += len(result.FindAll(body, -1))
			body = result.ReplaceAll(body, []byte("$1"))
		}
		to, err := w.Create(f.Name)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := to.Write(body); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	if taken == 0 {
		t.Fatal("no formula has a stored result")
	}
	return out.Bytes()
}
