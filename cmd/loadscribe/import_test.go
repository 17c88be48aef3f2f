package main

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"loadscribe/agent/analysis"
)

// importBench is a folder with the example site of two loggers and the mapping
// of docs/importing.md.
type importBench struct {
	t         *testing.T
	dir, site string
	columns   string
}

func newImportBench(t *testing.T) *importBench {
	t.Helper()
	b := &importBench{t: t, dir: t.TempDir()}
	if err := os.CopyFS(b.dir, os.DirFS("../../configs")); err != nil {
		t.Fatal(err)
	}
	b.site = filepath.Join(b.dir, "loggers.toml")
	doc, err := os.ReadFile("../../docs/importing.md")
	if err != nil {
		t.Fatal(err)
	}
	_, rest, ok := strings.Cut(string(doc), "```toml\n[[logger]]")
	text, _, closed := strings.Cut(rest, "```")
	if !ok || !closed {
		t.Fatal("docs/importing.md has no mapping")
	}
	b.columns = b.write("columns.toml", "[[logger]]"+text)
	return b
}

func (b *importBench) write(name, text string) string {
	b.t.Helper()
	path := filepath.Join(b.dir, name)
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		b.t.Fatal(err)
	}
	return path
}

// benchMonday is when the loggers' files begin: a Monday, 06:00 in Berlin.
var benchMonday = time.Date(2026, 3, 2, 5, 0, 0, 0, time.UTC)

// loggersFiles are two loggers' files of some hours: the machine loads for
// loads[i] and rests for 90 s and a bit in turns, 6.0 m³/min while loaded, 40 kW
// loaded and 12 kW else. The flow logger's clock is behind by offset and loses
// drift ppm.
func (b *importBench) loggersFiles(hours int, offset time.Duration, driftPPM float64) (power, flow string) {
	berlin, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		b.t.Fatal(err)
	}
	var p, f strings.Builder
	p.WriteString("Time;P (kW);On\n")
	f.WriteString("Date,Time,Flow\n")
	total := hours * 3600
	loaded := make([]bool, total)
	for i, n, on := 0, uint32(7), true; i < total; on = !on {
		n = n*1664525 + 1013904223 // numerical recipes, from memory: lengths without a period
		length := 90 + int(n>>24)
		for ; length > 0 && i < total; length-- {
			loaded[i], i = on, i+1
		}
	}
	for i := 0; i < total; i += 5 {
		kw := "12,4"
		if loaded[i] {
			kw = "40,1"
		}
		fmt.Fprintf(&p, "%s;%s;1\n", benchMonday.Add(time.Duration(i)*time.Second).In(berlin).Format("02.01.2006 15:04:05"), kw)
	}
	for i := 0; i < total; i += 10 {
		flow := "0.0"
		if loaded[i] {
			flow = "360.0"
		}
		at := benchMonday.Add(time.Duration(i) * time.Second)
		at = at.Add(-offset - time.Duration(driftPPM*1e-6*float64(i)*float64(time.Second))).Truncate(time.Second)
		fmt.Fprintf(&f, "%s,%s,%s\n", at.Format("2006-01-02"), at.Format("15:04:05"), flow)
	}
	return "power=" + b.write("power.csv", p.String()), "flow=" + b.write("flow.csv", f.String())
}

func (b *importBench) figures(from, to time.Time) map[string]analysis.Figure {
	b.t.Helper()
	var r analysis.Report
	out := mustRun(b.t, "summary", "--site", b.site, "--from", from.Format(time.RFC3339), "--to", to.Format(time.RFC3339), "--json")
	if err := json.Unmarshal([]byte(out), &r); err != nil {
		b.t.Fatal(err)
	}
	all := map[string]analysis.Figure{}
	for _, f := range r.Machines[0].Figures {
		all[f.Name] = f
	}
	return all
}

// TestImportCommand brings in what two loggers recorded by the mapping of the
// docs, and looks at what the summary says of it.
func TestImportCommand(t *testing.T) {
	b := newImportBench(t)
	power, flow := b.loggersFiles(3, 0, 0)
	args := []string{"import", "--site", b.site, "--map", b.columns}
	dry := mustRun(t, append(args, "--dry-run", power, flow)...)
	for _, want := range []string{"power: 2160 rows in 1 file, 2026-03-02 06:00:00", "device power: 2160 scans, one in 5s", "device flow: 1080 scans, one in 10s", "nothing was imported: --dry-run"} {
		if !strings.Contains(dry, want) {
			t.Errorf("--dry-run does not say %q:\n%s", want, dry)
		}
	}
	if _, err := os.Stat(filepath.Join(b.dir, "data")); err == nil {
		t.Error("--dry-run has made a data directory")
	}
	out := mustRun(t, append(args, power, flow)...)
	for _, want := range []string{"import 1: 3240 scans are now in", " --undo 1"} {
		if !strings.Contains(out, want) {
			t.Errorf("import does not say %q:\n%s", want, out)
		}
	}
	got := b.figures(benchMonday, benchMonday.Add(3*time.Hour))
	air, energy := got["air_delivered"], got["energy"]
	if air.Value == nil || energy.Value == nil || !strings.Contains(strings.Join(air.Inputs, " "), "flow.flow") {
		t.Fatalf("air %+v, energy %+v", air, energy)
	}
	if events := mustRun(t, "events", "--site", b.site, "--from", "2020-01-01", "--kind", "import", "--json"); !strings.Contains(events, "power.csv") || !strings.Contains(events, "1080 rows of flow") {
		t.Errorf("the event:\n%s", events)
	}
	var all []struct {
		Import int  `json:"import"`
		Undone bool `json:"undone"`
	}
	if err := json.Unmarshal([]byte(mustRun(t, "import", "--site", b.site, "--list", "--json")), &all); err != nil || len(all) != 1 || all[0].Import != 1 || all[0].Undone {
		t.Errorf("--list --json: %+v, %v", all, err)
	}
	for line := range strings.Lines(mustRun(t, "import", "--site", b.site, "--list")) { // no columns as wide as a file's hash
		if strings.Contains(line, "    2026") || strings.HasSuffix(line, " \n") {
			t.Errorf("--list prints the line %q", line)
		}
	}
}

// TestUndoLearnsAnew: the levels that an import taught go with it; what is left
// teaches them again, and the machine's states do not fall back to assumed ones.
func TestUndoLearnsAnew(t *testing.T) {
	b := newImportBench(t)
	args := []string{"import", "--site", b.site, "--map", b.columns}
	for _, day := range []string{"02", "03"} {
		var rows strings.Builder
		rows.WriteString("Time;P (kW);On\n")
		for i := range 4 * 720 { // loaded and unloaded for two minutes each
			at := time.Date(2026, 3, 2, 6, 0, 5*i, 0, time.UTC)
			fmt.Fprintf(&rows, "%s.03.2026 %s;%d,%02d;1\n", day, at.Format("15:04:05"), 12+28*(i/24%2), i*37%100)
		}
		mustRun(t, append(args, "power="+b.write("p"+day+".csv", rows.String()))...)
	}
	if out := mustRun(t, "import", "--site", b.site, "--undo", "1"); !strings.Contains(out, "the levels of comp1 were learnt anew") {
		t.Errorf("--undo says %q", out)
	}
	if out := mustRun(t, "levels", "--site", b.site); !strings.Contains(out, "learnt from its own data") {
		t.Errorf("levels says %q", out)
	}
}

// TestImportMisuse: what cannot be meant is said before anything is read.
func TestImportMisuse(t *testing.T) {
	b := newImportBench(t)
	site := []string{"import", "--site", b.site}
	for _, c := range []struct {
		code int
		says string
		args []string
	}{
		{exitWrongUse, "--map FILE is missing", nil},
		{exitWrongUse, "--list and --undo stand alone", []string{"--list", "--undo", "1"}},
		{exitWrongUse, "--list and --undo stand alone", []string{"--undo", "1", "--map", b.columns}},
		{exitWrongUse, "go with --align", []string{"--map", b.columns, "--yes", "x.csv"}},
		{exitWrongUse, "needs --record", []string{"--map", b.columns, "--align", "--align-to", "record", "x.csv"}},
		{exitWrongUse, "give one of them", []string{"--map", b.columns, "--align", "--yes", "--dry-run", "x.csv"}},
		{exitFailed, "which of the loggers power, flow wrote this file", []string{"--map", b.columns, "x.csv"}},
		{exitFailed, "no such import", []string{"--undo", "1"}},
		{exitFailed, "store.db is missing", []string{"--map", b.columns, "--record", b.dir, "power=x.csv", "flow=y.csv"}},
	} {
		mustFail(t, c.code, []string{c.says}, append(site, c.args...)...)
	}
}

// TestImportAligns: two loggers whose clocks differ come out within one period
// of each other.
func TestImportAligns(t *testing.T) {
	b := newImportBench(t)
	const offset, drift = 437 * time.Second, 120.0
	power, flow := b.loggersFiles(10, offset, drift)
	args := []string{"import", "--site", b.site, "--map", b.columns, "--align"}
	shown := mustRun(t, append(args, power, flow)...)
	if !strings.Contains(shown, "nothing was imported: this is what is proposed") || !strings.Contains(shown, "clock of flow: flow's clock is") {
		t.Errorf("--align prints\n%s", shown)
	}
	var answer importAnswer
	if err := json.Unmarshal([]byte(mustRun(t, append(args, "--yes", "--json", power, flow)...)), &answer); err != nil {
		t.Fatal(err)
	}
	if len(answer.Aligned) != 1 || answer.Import != 1 {
		t.Fatalf("%+v", answer)
	}
	// the first and the last row of the flow logger, put right, are within its
	// period of when they were written
	last := benchMonday.Add(10*time.Hour - 10*time.Second)
	from, to := time.UnixMilli(int64(answer.Loggers[1].From)), time.UnixMilli(int64(answer.Loggers[1].To))
	if d := from.Sub(benchMonday).Abs(); d > 10*time.Second {
		t.Errorf("the first row is off by %v: %+v", d, answer.Aligned[0])
	}
	if d := to.Sub(last).Abs(); d > 10*time.Second {
		t.Errorf("the last row is off by %v: %+v", d, answer.Aligned[0])
	}
	t.Logf("%s; first row off by %v, last by %v", answer.Aligned[0].Text, from.Sub(benchMonday), to.Sub(last))
	events := mustRun(t, "events", "--site", b.site, "--from", "2020-01-01", "--kind", "clocks_aligned")
	if !strings.Contains(events, "transitions meet") {
		t.Errorf("the event:\n%s", events)
	}
	// specific power needs both at one time: loaded 40.1 kW at 6.0 m³/min
	got := b.figures(benchMonday, benchMonday.Add(10*time.Hour))["specific_power_loaded"]
	if got.Value == nil || *got.Value < 40.1/6.0*0.97 || *got.Value > 40.1/6.0*1.03 {
		t.Errorf("specific_power_loaded %+v, want %.2f", got, 40.1/6.0)
	}
}

// apart writes the mapping of each logger into a file of its own.
func (b *importBench) apart() (power, flow string) {
	b.t.Helper()
	all, err := os.ReadFile(b.columns)
	if err != nil {
		b.t.Fatal(err)
	}
	at := strings.LastIndex(string(all), "[[logger]]")
	return b.write("power.toml", string(all[:at])), b.write("flow.toml", string(all[at:]))
}

// TestImportStudy merges a flow logger whose clock is off into the record of
// another data directory, which stays as it was, and aligns it to that record.
func TestImportStudy(t *testing.T) {
	b := newImportBench(t)
	power, flow := b.loggersFiles(10, -312*time.Second, -80)
	powerMap, flowMap := b.apart()
	record := filepath.Join(b.dir, "record")
	mustRun(t, "import", "--site", b.site, "--data", record, "--map", powerMap, power)
	before := treeText(t, record)
	study := []string{"import", "--site", b.site, "--map", flowMap, "--record", record, "--align"}
	if shown := mustRun(t, append(study, flow)...); !strings.Contains(shown, "ahead of record's") {
		t.Errorf("--align prints\n%s", shown)
	}
	out := mustRun(t, append(study, "--yes", flow)...)
	if !strings.Contains(out, "import 1: 10800 scans are now in") || !strings.Contains(out, "7200 of them from the record of") {
		t.Errorf("import prints\n%s", out)
	}
	verified(t, filepath.Join(b.dir, "data"))
	if events := mustRun(t, "events", "--site", b.site, "--from", "2020-01-01", "--kind", "import", "--json"); !strings.Contains(events, `"record_checkpoint": "loadscribe/`) {
		t.Errorf("the event has no checkpoint of the record:\n%s", events)
	}
	if treeText(t, record) != before {
		t.Error("the record itself has changed")
	}
	got := b.figures(benchMonday, benchMonday.Add(10*time.Hour))["specific_power_loaded"]
	if got.Value == nil || *got.Value < 40.1/6.0*0.97 || *got.Value > 40.1/6.0*1.03 {
		t.Errorf("specific_power_loaded %+v, want %.2f", got, 40.1/6.0)
	}
}

// TestImportHostileFiles: whatever a file holds, an import that fails has named
// file and place and changed no byte of the record.
func TestImportHostileFiles(t *testing.T) {
	b := newImportBench(t)
	power, flow := b.loggersFiles(1, 0, 0)
	mustRun(t, "import", "--site", b.site, "--map", b.columns, power, flow)
	before := treeText(t, filepath.Join(b.dir, "data"))
	_, columns := b.apart()
	const head = "Date,Time,Flow\n"
	const row = "2026-03-09,06:00:00,1.0\n2026-03-09,06:00:10,1.0\n"
	for name, c := range map[string]struct{ text, says string }{
		"a line of 10 MB":   {head + row + "2026-03-09,06:00:20," + strings.Repeat("9", 10<<20) + "\n", "line 4"},
		"binary":            {head + row + "\x7fELF\x02\x01\x01\x00\x00\x00\n", "line 4"},
		"NUL":               {head + row + "2026-03-09,06:00:20,1\x000\n", "line 4"},
		"a column too few":  {head + row + "2026-03-09,06:00:20\n", "line 4"},
		"a column too many": {head + row + "2026-03-09,06:00:20,1.0,7\n", "line 4"},
		"no such column":    {"Date,Time,Flux\n" + row, `"Flow"`},
		"mixed encodings":   {head + row + "2026-03-09,06:00:20,\xff\xfe1\x000\x00\n", "line 4"},
		"a formula":         {head + row + "2026-03-09,06:00:20,=SUM(A1:A9)\n", "line 4"},
		"no number":         {head + row + "2026-03-09,06:00:20,many\n", "line 4"},
		"no date":           {head + row + "2026-02-30,06:00:20,1.0\n", "line 4"},
		"an open quote":     {head + row + "2026-03-09,06:00:20,\"1.0\n", "line 4"},
		"empty":             {"", "flow.csv"},
	} {
		b.write("flow.csv", c.text)
		code, _, stderr := runCommand(t, "import", "--site", b.site, "--map", columns, filepath.Join(b.dir, "flow.csv"))
		if code != exitFailed || !strings.Contains(stderr, c.says) || !strings.Contains(stderr, "flow.csv") || len(stderr) > 2000 {
			t.Errorf("%s: ended with %d and says %.300q, want flow.csv and %q in it", name, code, stderr, c.says)
		}
		if after := treeText(t, filepath.Join(b.dir, "data")); after != before {
			t.Fatalf("%s: the record has changed", name)
		}
	}
}

// treeText is the content of every file of a directory but the lock.
func treeText(t *testing.T, dir string) string {
	t.Helper()
	var b strings.Builder
	err := filepath.WalkDir(dir, func(path string, d os.DirEntry, err error) error {
		if err != nil || d.IsDir() || d.Name() == "lock" {
			return err
		}
		text, err := os.ReadFile(path)
		fmt.Fprintf(&b, "%s %d\n%s", path, len(text), text)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return b.String()
}
