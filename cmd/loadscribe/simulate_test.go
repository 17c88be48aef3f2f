package main

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"loadscribe/agent/analysis"
	"loadscribe/cmd/loadscribe/stage"
	"loadscribe/simulator"
)

// ran runs one command to its end.
func ran(t *testing.T, want int, args ...string) (stdout, stderr string) {
	t.Helper()
	var out, errs bytes.Buffer
	if code := execute(t.Context(), args, &out, &errs); code != want {
		t.Fatalf("%v ended with %d, want %d: %s", args, code, want, errs.String())
	}
	return out.String(), errs.String()
}

// shortStory is a scenario file: the heatless dryer's, an hour long.
func shortStory(t *testing.T) string {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("..", "..", "simulator", "scenarios", "heatless-dryer.toml"))
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "mine.toml")
	if err := os.WriteFile(path, append([]byte("length = \"1 h\"\n"), text...), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

func TestSimulateLists(t *testing.T) {
	out, _ := ran(t, exitFine, "simulate", "--list")
	for _, name := range simulator.Scenarios() {
		if !strings.Contains(out, name+" ") {
			t.Errorf("the list lacks %s:\n%s", name, out)
		}
	}
}

// A built-in scenario is written as a file that can be changed and given back.
func TestSimulateWritesItsScenario(t *testing.T) {
	t.Chdir(t.TempDir())
	for _, name := range simulator.Scenarios() {
		out, _ := ran(t, exitFine, "simulate", "--scenario", name, "--write-scenario", name+".toml")
		if want := "simulate --scenario " + name + ".toml\n"; !strings.HasSuffix(out, want) {
			t.Errorf("%s: it says %q, want the command %q", name, out, want)
		}
		own, err := simulator.LoadScenario(name + ".toml")
		if err != nil {
			t.Fatal(err)
		}
		if built, err := simulator.LoadScenario(name); err != nil || !reflect.DeepEqual(own, built) {
			t.Errorf("%s: the file is another scenario (%v)", name, err)
		}
	}
	mustFail(t, exitWrongUse, []string{"there is a file already"}, "simulate", "--write-scenario", "joinery.toml")
	mustFail(t, exitWrongUse, []string{"unknown scenario"}, "simulate", "--scenario", "nowhere", "--write-scenario", "x.toml")
	mustFail(t, exitFailed, []string{"a folder that is there"}, "simulate", "--write-scenario", "no/such/folder.toml")
}

// A plant in another time zone: it is said that nobody works there now, and when
// somebody does.
func TestPlantClock(t *testing.T) {
	s, err := simulator.LoadScenario("joinery") // Mon-Fri 07:00-16:00 in Chicago
	if err != nil {
		t.Fatal(err)
	}
	for begin, want := range map[string]string{
		"2026-03-02T09:00:00-06:00": "in the plant it is Mon 09:00 (America/Chicago)",
		"2026-03-02T09:00:00+01:00": "in the plant it is Mon 02:00 (America/Chicago), out of its shifts; to see it at work: --start 2026-03-02T08:00:00-06:00",
		"2026-03-07T12:00:00Z":      "in the plant it is Sat 06:00 (America/Chicago), out of its shifts; to see it at work: --start 2026-03-09T08:00:00-05:00",
	} {
		at, err := time.Parse(time.RFC3339, begin)
		if err != nil {
			t.Fatal(err)
		}
		if got := plantClock(s, at); got != want {
			t.Errorf("%s: %q, want %q", begin, got, want)
		}
	}
}

// TestSimulateRecords records a scenario file, asks summary of the record, and
// holds starts and energy against the truth beside it.
func TestSimulateRecords(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "mine")
	lines := filepath.Join(t.TempDir(), "truth.jsonl")
	scenario := shortStory(t)
	ran(t, exitFine, "simulate", "--scenario", scenario, "--record", dir, "--truth", lines, "--start", "2026-03-03T12:30:00Z", "--warm-up", "10m")
	figures := summarised(t, filepath.Join(dir, "site.toml"), "2026-03-03T12:30:00Z", "2026-03-03T13:30:00Z")
	text, err := os.ReadFile(filepath.Join(dir, "truth.json"))
	if err != nil {
		t.Fatal(err)
	}
	var truth struct {
		Machines []struct {
			Starts  int
			EnergyJ float64 `json:"energy_j"`
		}
		PurgedM3 float64 `json:"purged_m3"`
	}
	if err := json.Unmarshal(text, &truth); err != nil {
		t.Fatal(err)
	}
	m := truth.Machines[0]
	if f := figures["starts"]; f.Value == nil || int(*f.Value) != m.Starts || m.Starts != 1 {
		t.Errorf("starts: %+v, truly %d, want the one at 06:55", f, m.Starts)
	}
	if f := figures["energy"]; f.Value == nil || *f.Value*3.6e6 < 0.98*m.EnergyJ || *f.Value*3.6e6 > 1.001*m.EnergyJ {
		t.Errorf("energy: %+v, truly %.3f kWh", f, m.EnergyJ/3.6e6)
	}
	if truth.PurgedM3 <= 0 {
		t.Error("the dryer purged nothing")
	}
	kinds := map[string]int{}
	data, err := os.ReadFile(lines)
	if err != nil {
		t.Fatal(err)
	}
	var last time.Time
	for line := range strings.Lines(string(data)) {
		var l struct {
			Kind string
			Time time.Time
		}
		if err := json.Unmarshal([]byte(line), &l); err != nil {
			t.Fatalf("%v in %s", err, line)
		}
		if l.Time.Before(last) {
			t.Errorf("%s at %v comes after %v", l.Kind, l.Time, last)
		}
		last = l.Time
		kinds[l.Kind]++
	}
	if kinds["minute"] != 71 || kinds["transition"] < 5 || kinds["sums"] != 1 {
		t.Errorf("lines of the truth: %v, want 71 minutes, transitions and sums", kinds)
	}
	if _, errs := ran(t, exitFailed, "simulate", "--scenario", scenario, "--record", dir); !strings.Contains(errs, "another directory") {
		t.Errorf("a second record in the same place: %s", errs)
	}
}

// TestSimulateWritesASite serves a plant, checks the site written for it, and
// finds its truth as CSV at the end.
func TestSimulateWritesASite(t *testing.T) {
	dir, truth := t.TempDir(), filepath.Join(t.TempDir(), "truth.csv")
	u := start(t, "simulate", "--scenario", "three-shifts", "--tcp", "127.0.0.1:0", "--write-site", dir, "--truth", truth, "--warm-up", "3m")
	eventually(t, "the plant to be served", 20*time.Second, func() bool { return strings.Contains(u.stdout.String(), "Ctrl-C") })
	ran(t, exitFine, "check", "--site", filepath.Join(dir, "site.toml"))
	address := strings.Fields(u.stdout.String())
	text, err := os.ReadFile(filepath.Join(dir, "site.toml"))
	if err != nil {
		t.Fatal(err)
	}
	found := false
	for _, word := range address {
		found = found || strings.HasPrefix(word, "127.0.0.1:") && strings.Contains(string(text), `"`+word+`"`)
	}
	if !found {
		t.Errorf("the site does not name the plant's address:\n%s\n%s", u.stdout, text)
	}
	if code := u.stop(); code != exitFine {
		t.Fatalf("simulate ended with %d: %s", code, u.stderr)
	}
	f, err := os.Open(truth)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if len(rows) < 4 || rows[0][0] != "time" || rows[0][1] != "trim.state" || len(rows[0]) != 1+3*4+6 {
		t.Errorf("truth: %d rows, header %v", len(rows), rows[0])
	}
	// Somebody's own site file stays.
	own := t.TempDir()
	if err := os.WriteFile(filepath.Join(own, "site.toml"), []byte("[site]\nname = \"mine\"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, errs := ran(t, exitFailed, "simulate", "--tcp", "127.0.0.1:0", "--write-site", own); !strings.Contains(errs, "another directory") {
		t.Errorf("a site file of one's own: %s", errs)
	}
}

// TestSystemOfSeveralMachines asks for the figures of three machines on one
// header: the system's energy is the sum of the true ones.
func TestSystemOfSeveralMachines(t *testing.T) {
	s, err := stage.Open(t.TempDir(), stage.Options{Scenario: "three-shifts", Length: time.Hour, WarmUp: 10 * time.Minute,
		Start: time.Date(2026, time.March, 3, 15, 0, 0, 0, time.UTC)})
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Record(t.Context(), "test"); err != nil {
		t.Fatal(err)
	}
	out, _ := ran(t, exitFine, "summary", "--site", s.SitePath, "--from", s.From.Format(time.RFC3339), "--to", s.To.Format(time.RFC3339), "--json")
	var report analysis.Report
	if err := json.Unmarshal([]byte(out), &report); err != nil {
		t.Fatal(err)
	}
	want := 0.0
	for _, name := range s.World.Truth().Machines() {
		sum, err := s.World.Truth().Totals(name, s.From, s.To)
		if err != nil {
			t.Fatal(err)
		}
		want += sum.EnergyJ / 3.6e6
	}
	found := false
	for _, f := range report.Systems[0].Figures {
		if f.Name == "energy" {
			found = f.Value != nil && *f.Value > 0.99*want && *f.Value < 1.001*want
		}
	}
	if !found || len(report.Machines) != 3 {
		t.Errorf("the system's energy is not within 1 %% of %.2f kWh, or a machine is missing: %s", want, out)
	}
}
