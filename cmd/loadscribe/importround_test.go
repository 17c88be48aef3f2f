package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"loadscribe/agent/store"
	"loadscribe/cmd/loadscribe/stage"
	"loadscribe/simulator"
)

// ownLong and ownWide map what export writes: no column needs a name of its
// own.
const ownLong = `[[logger]]
name = "export"
layout = "long"
[logger.time]
column = "time"
format = "rfc3339"
`

var ownWide = strings.Replace(ownLong, `"long"`, `"wide"`, 1)

// TestRoundTrip exports what was recorded of a simulated plant, long and wide,
// and imports it into new directories with the same site file: the same figures
// come out, every one of them, to the last digit of the JSON. Three hours; with
// LOADSCRIBE_LONG a week.
func TestRoundTrip(t *testing.T) {
	if testing.Short() {
		t.Skip("records simulated hours; not under -short")
	}
	sc, err := simulator.LoadScenario("joinery")
	if err != nil {
		t.Fatal(err)
	}
	o := stage.Options{Scenario: "joinery", Start: simulator.BenchStart(sc.Location).Add(5 * time.Hour), WarmUp: time.Hour, Length: 3 * time.Hour}
	if os.Getenv("LOADSCRIBE_LONG") != "" {
		o.Start, o.Length = simulator.BenchStart(sc.Location), 7*24*time.Hour
	}
	s, err := stage.Open(t.TempDir(), o)
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Record(t.Context(), "test"); err != nil {
		t.Fatal(err)
	}
	from, to := s.From.UTC().Format(time.RFC3339), s.To.UTC().Format(time.RFC3339)
	summary := func(data string) string {
		return mustRun(t, "summary", "--site", s.SitePath, "--data", data, "--from", from, "--to", to, "--json")
	}
	want := summary(s.Site.Agent.DataDir)
	for layout, mapping := range map[string]string{"long": ownLong, "wide": ownWide} {
		dir := t.TempDir()
		file, columns, data := filepath.Join(dir, "week.csv"), filepath.Join(dir, "columns.toml"), filepath.Join(dir, "data")
		if err := os.WriteFile(columns, []byte(mapping), 0o644); err != nil {
			t.Fatal(err)
		}
		mustRun(t, "export", "--site", s.SitePath, "--from", from, "--to", to, "--layout", layout, "--out", file)
		var answer importAnswer
		began := time.Now()
		if err := json.Unmarshal([]byte(mustRun(t, "import", "--site", s.SitePath, "--data", data, "--map", columns, "--json", file)), &answer); err != nil {
			t.Fatal(err)
		}
		t.Logf("%s: %d scans in %v", layout, answer.Imported, time.Since(began).Round(time.Millisecond))
		if got := summary(data); got != want {
			t.Errorf("%s: the figures differ: %s", layout, firstDifference(got, want))
		}
		if answer.Import != 1 || answer.Imported == 0 || len(answer.Loggers) != 1 || len(answer.Loggers[0].Files[0].SHA256) != 64 {
			t.Errorf("%s: answer %+v", layout, answer)
		}
		verified(t, data)
		mustFail(t, exitFailed, []string{"does not lie behind", "--record"}, "import", "--site", s.SitePath, "--data", data, "--map", columns, file)
		if list := mustRun(t, "import", "--site", s.SitePath, "--data", data, "--list"); !strings.Contains(list, "week.csv "+answer.Loggers[0].Files[0].SHA256) {
			t.Errorf("%s: --list prints\n%s", layout, list)
		}
		if layout == "long" {
			continue // it is undone the same way
		}
		mustRun(t, "import", "--site", s.SitePath, "--data", data, "--undo", "1")
		if list := mustRun(t, "import", "--site", s.SitePath, "--data", data, "--list"); !strings.Contains(list, "undone") {
			t.Errorf("%s: after --undo --list prints\n%s", layout, list)
		}
		mustRun(t, "import", "--site", s.SitePath, "--data", data, "--map", columns, file)
		if got := summary(data); got != want {
			t.Errorf("%s: imported, undone and imported again, the figures differ: %s", layout, firstDifference(got, want))
		}
	}
}

// verified recomputes the evidence log of a stopped store.
func verified(t *testing.T, dir string) {
	t.Helper()
	s, err := store.OpenReadOnly(dir, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	v, err := s.VerifyEvidence(t.Context(), store.VerifyOptions{})
	if err != nil || !v.Sound() || v.Blocks == 0 || v.Unsealed != 0 {
		t.Errorf("the evidence of %s: %d blocks, %d not sealed, breaks %+v (%v)", dir, v.Blocks, v.Unsealed, v.Breaks, err)
	}
}

func firstDifference(got, want string) string {
	g, w := strings.Split(got, "\n"), strings.Split(want, "\n")
	var all []string
	for i := range min(len(g), len(w)) {
		if g[i] != w[i] {
			all = append(all, "got  "+g[i]+"\nwant "+w[i])
			if len(all) > 10 {
				break
			}
		}
	}
	if len(g) != len(w) {
		all = append(all, "and there are more or fewer lines")
	}
	return "\n" + strings.Join(all, "\n")
}
