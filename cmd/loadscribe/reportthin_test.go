package main

import (
	"archive/zip"
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"loadscribe/agent"
	"loadscribe/agent/report"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/cmd/loadscribe/stage"
	"loadscribe/simulator"
)

// A site of two bits: no power, no pressure, no flow, no tariff, no shifts, no system.
const bareSite = `
[site]
name = %q
timezone = "America/Chicago"
[report]
prepared_for = %q
[agent]
data = "data"
[[line]]
name = "net"
kind = "modbus-tcp"
address = "127.0.0.1:502"
[[device]]
name = "c"
line = "net"
map = "map.toml"
every = "1s"
[[machine]]
name = "m"
control = "load/unload"
channels = { c = "*" }
`

const bareMap = `
name = "two bits"
protocol = "modbus"
addressing = "zero-based"
[[channel]]
name = "running"
role = "motor_running"
table = "coil"
address = 0
type = "bit"
[[channel]]
name = "loaded"
role = "loaded"
table = "coil"
address = 1
type = "bit"
`

// bare is such a site with so many seconds recorded of it, from a Monday on.
func bare(t *testing.T, name string, seconds int) (path string, from time.Time) {
	t.Helper()
	dir, from := t.TempDir(), time.Date(2026, 3, 2, 14, 0, 0, 0, time.UTC)
	path = filepath.Join(dir, "site.toml")
	for file, text := range map[string]string{"site.toml": fmt.Sprintf(bareSite, name, name), "map.toml": bareMap} {
		if err := os.WriteFile(filepath.Join(dir, file), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	site, err := sitefile.Load(path, sitefile.Options{})
	if err != nil {
		t.Fatal(err)
	}
	rec, err := agent.OpenRecorder(site, agent.Options{Version: "test"})
	if err != nil {
		t.Fatal(err)
	}
	for i := range int64(seconds) {
		on := (i / 60) % 2
		s := scan.Scan{Group: rec.Groups()[0], MonoMS: i * 1000, WallMS: from.UnixMilli() + i*1000, Values: []int64{1, on}}
		if err := rec.Append([]scan.Scan{s}); err != nil {
			t.Fatal(err)
		}
	}
	if err := rec.Close(); err != nil {
		t.Fatal(err)
	}
	return path, from
}

// holed records two hours of a joinery of which six minutes in ten were not read.
func holed(t *testing.T) *stage.Stage {
	t.Helper()
	sc, err := simulator.LoadScenario("joinery")
	if err != nil {
		t.Fatal(err)
	}
	s, err := stage.Open(t.TempDir(), stage.Options{Scenario: "joinery", Start: simulator.BenchStart(sc.Location).Add(8 * time.Hour), WarmUp: time.Hour, Length: 2 * time.Hour})
	if err != nil {
		t.Fatal(err)
	}
	rec, err := agent.OpenRecorder(s.Site, agent.Options{Version: "test", Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	err = s.Play(t.Context(), rec.Groups(), func(batch []scan.Scan) error {
		kept := batch[:0:0]
		for i := range batch {
			if batch[i].WallMS/60_000%10 < 4 {
				kept = append(kept, batch[i])
			}
		}
		if len(kept) == 0 {
			return nil
		}
		return rec.Append(kept)
	})
	if err != nil {
		t.Fatal(err)
	}
	if err := rec.Close(); err != nil {
		t.Fatal(err)
	}
	return s
}

// nonsense is what no reader may see; in the JSON of numbers it cannot stand either.
var nonsense = regexp.MustCompile(`\bNaN\b|<nil>|&lt;nil&gt;|[+-]?\bInf\b|%!|\bnull ±`)

// mustBeFit makes the report of a window and looks for nonsense in all of its files.
func mustBeFit(t *testing.T, name string, says string, args ...string) map[string][]byte {
	t.Helper()
	out := filepath.Join(t.TempDir(), "out")
	mustRun(t, append(append([]string{"report"}, args...), "--out", out)...)
	files := filesIn(t, out)
	for file, text := range files {
		if strings.HasSuffix(file, ".xlsx") {
			text = unzipped(t, text)
		}
		if strings.HasSuffix(file, ".pdf") {
			continue // its streams are packed: package print reads them
		}
		if at := nonsense.FindIndex(text); at != nil {
			t.Errorf("%s: %s holds %q", name, file, text[max(0, at[0]-120):min(len(text), at[1]+60)])
		}
		if !strings.HasSuffix(file, ".xlsx") && !bytes.Contains(text, []byte(says)) {
			t.Errorf("%s: %s does not say %q", name, file, says)
		}
	}
	return files
}

// unzipped is the text of all files of a zip.
func unzipped(t *testing.T, data []byte) (all []byte) {
	t.Helper()
	z, err := zip.NewReader(bytes.NewReader(data), int64(len(data)))
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range z.File {
		r, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		text, err := io.ReadAll(r)
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, text...)
	}
	return all
}

// TestReportOfThinRecords makes reports of what hardly holds anything: they say so, and
// show nothing that is none.
func TestReportOfThinRecords(t *testing.T) {
	if testing.Short() {
		t.Skip("seconds of reports, without concurrency")
	}
	one, from := bare(t, "One scan", 1)
	mustBeFit(t, "one scan", "One scan", "--site", one, "--from", "-1h")
	mustBeFit(t, "an empty window", "nothing was recorded", "--site", one, "--from", from.AddDate(0, 0, -7).Format(time.RFC3339), "--to", from.AddDate(0, 0, -1).Format(time.RFC3339))
	mustBeFit(t, "a year before", "nothing was recorded", "--site", one, "--from", "2025-01-01", "--to", "2025-12-31")
	bits, _ := bare(t, "Two bits", 4000)
	mustBeFit(t, "no power, pressure, flow, tariff or system", "Two bits", "--site", bits)
	mustBeFit(t, "compared with nothing", "Two bits", "--site", bits, "--from", "-30m", "--before", "-9d/-8d")
	s := holed(t)
	files := mustBeFit(t, "60 % unobserved", s.Site.Name, "--site", s.SitePath, "--from", s.From.UTC().Format(time.RFC3339))
	var doc report.Document
	if err := json.Unmarshal(files["report.json"], &doc); err != nil {
		t.Fatal(err)
	}
	if n := len(doc.Data.Gaps); n != 2*11 || doc.Data.Gaps[0].ForS != 361 || doc.Data.Gaps[0].Reason != "dropped" { // of two devices, six minutes in each ten but the last
		t.Errorf("60 %% unobserved: %d gaps, the first %+v", n, doc.Data.Gaps[0])
	}
}

// TestReportOfHostileNames has names that are markup, formulas, endless, or read from
// right to left: they do no harm in any file.
func TestReportOfHostileNames(t *testing.T) {
	if testing.Short() {
		t.Skip("seconds of reports, without concurrency")
	}
	for _, name := range []string{"<script>alert(1)</script><img src=x onerror=alert(1)>", `=cmd|' /C calc'!A0`, "@SUM(1+1)", strings.Repeat("W", 300), "שלום ورشة (مثال)", "]]>&\"'<!--"} {
		path, _ := bare(t, name, 400)
		files := mustBeFit(t, name, "", "--site", path)
		html := string(files["report.html"])
		for _, wrong := range []string{"<script>alert", "<img", "<!--", "]]>&\""} {
			if strings.Contains(html, wrong) {
				t.Errorf("%q: report.html holds %q", name, wrong)
			}
		}
		if book := files["workbook.xlsx"]; book != nil {
			if text := unzipped(t, book); bytes.Contains(text, []byte("<f>cmd")) || bytes.Contains(text, []byte("<f>SUM(1+1)")) || bytes.Contains(text, []byte("<script>alert")) {
				t.Errorf("%q is a formula or markup in the workbook", name)
			}
		}
	}
}
