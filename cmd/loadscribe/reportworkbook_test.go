package main

import (
	"archive/zip"
	"bytes"
	"encoding/csv"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"loadscribe/agent/analysis"
	"loadscribe/agent/replay"
	"loadscribe/agent/report"
	"loadscribe/agent/report/workbook"
	"loadscribe/testdata/peers"
)

// TestWorkbookRecalculated opens the workbook of a recorded day in an independent
// program (LibreOffice), which reckons every formula itself: the results stored beside
// them are taken out first. No cell is an error, and money, energy and savings come to
// what the report says.
func TestWorkbookRecalculated(t *testing.T) {
	office := peers.Path(t, "soffice")
	if testing.Short() {
		t.Skip("no goroutine of ours")
	}
	doc := reportOfADay(t)
	text, err := workbook.Write(doc)
	if err != nil {
		t.Fatal(err)
	}
	sheets := recalculated(t, office, text)
	wrong := regexp.MustCompile(`^(#[A-Z/0]+[!?]?|Err:\d+)$`)
	for name, rows := range sheets {
		for _, row := range rows {
			for _, value := range row {
				if wrong.MatchString(value) {
					t.Errorf("%s: %q in %q", name, value, row)
				}
			}
		}
	}
	figures := 0
	same := func(what string, got string, want *float64) {
		if want == nil {
			return
		}
		v, err := strconv.ParseFloat(got, 64)
		if figures++; err != nil || math.Abs(v-*want) > 1e-9*math.Abs(*want)+1e-9 {
			t.Errorf("%s: %s, want %v", what, got, *want)
		}
	}
	m := &doc.Data.Figures.Machines[0]
	of := "machine " + m.Machine
	for _, row := range sheets["Cost"] {
		switch {
		case row[0] != of:
		case row[1] == "energy, all":
			same("cost of the energy", row[6], valueIn(m.Figures, "energy_cost"))
		case row[1] == "demand, all":
			same("cost of the demand", row[6], valueIn(m.Figures, "demand_cost"))
		case strings.HasSuffix(row[1], " year"):
			same(row[1], row[6], valueIn(doc.Year[0].Figures, strings.ReplaceAll(row[1], " ", "_")))
		}
	}
	for _, row := range sheets["Quarter hours"] {
		if row[0] == m.Machine && row[1] == "all" {
			sum := 0.0 // of the quarter hours: by the counter, where the figure goes by power
			for _, c := range doc.Data.Intervals[m.Machine] {
				sum += *c.EnergyKWh
			}
			same("energy of the days", row[3], &sum)
			same("starts of the days", row[4], valueIn(m.Figures, "starts"))
			same("load cycles of the days", row[5], valueIn(m.Figures, "load_cycles"))
		}
	}
	results := doc.Data.Replays[0].Results
	for i, row := range sheets["Alternatives"] {
		if i > 2 && i-3 < len(results) && results[i-3].Absent == "" { // heading, measured, present
			same("saved by "+row[1], row[9], results[i-3].SavedCost.Value)
			same("saved in a year by "+row[1], row[12], results[i-3].SavedYear.Value)
		}
	}
	if len(results) == 0 || figures < 4+2*len(results) {
		t.Errorf("only %d numbers were compared, %d alternatives", figures, len(results))
	}
}

// reportOfADay is the report of a working day of the joinery.
func reportOfADay(t *testing.T) *report.Document {
	t.Helper()
	doc, err := recordedDay()
	if err != nil {
		t.Fatal(err)
	}
	return doc
}

// recordedDay is recorded once for all tests that only read its report.
var recordedDay = sync.OnceValues(func() (*report.Document, error) {
	o := told{scenario: "joinery", length: 24 * time.Hour, units: "us", alternatives: []replay.Alternative{
		{Name: "half of the leaks mended", Set: []replay.Setting{{Key: "leaks_mended", Value: "50 %"}}},
		{Name: "a narrower band", Set: []replay.Setting{{Key: "comp1.cut_out", Value: "115 psi"}}},
	}}
	return o.report()
})

func valueIn(figures []analysis.Figure, name string) *float64 {
	for i := range figures {
		if figures[i].Name == name {
			return figures[i].Value
		}
	}
	return nil
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
