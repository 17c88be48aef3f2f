package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"loadscribe/agent/analysis"
)

// TestCompareCommand asks a running agent and then the files of the stopped one:
// the same answers, the same refusals.
func TestCompareCommand(t *testing.T) {
	plant := servePlant(t, "127.0.0.1:0", nil)
	dir := t.TempDir()
	site := writeSite(t, dir, netLine(plant.address))
	u := start(t, "run", "--site", site)
	durable(t, agentAt(t, dir))
	file := func(name, text string) string {
		t.Helper()
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
		return path
	}
	made, wrong := file("made.csv", "date,count\n2026-03-02,118\n"), file("wrong.csv", "date,count\n2026-03-02,118\n2026-03-03,many\n")
	both := func() {
		t.Helper()
		ask := []string{"compare", "--site", site, "--before", "-2h/-1h", "--after", "-1h/now"}
		said := mustRun(t, append(ask, "--peak", "Mon-Fri 14:00-18:00", "--peak-months", "6-9", "--production", made)...)
		if !strings.Contains(said, "No saving can be stated") || !strings.Contains(said, "before is shorter than one whole week") {
			t.Errorf("of some seconds: %s", said)
		}
		var c analysis.Comparison
		if err := json.Unmarshal([]byte(mustRun(t, append(ask, "--json")...)), &c); err != nil || c.Kind != "machine" || c.Subject != "comp1" || c.Told {
			t.Errorf("as JSON: %v, %+v", err, c)
		}
		for _, tt := range []struct {
			says []string
			args []string
		}{
			{[]string{`--before: "yesterday" is no period: write FROM/TO`}, []string{"--before", "yesterday", "--after", "-1h/now"}},
			{[]string{"--after: ", `"soon" is not a time`}, []string{"--before", "-2h/-1h", "--after", "-1h/soon"}},
			{[]string{"--after: ", "swap them"}, []string{"--before", "-1h/now", "--after", "-2h/-1h"}},
			{[]string{`--peak: "Mon-Fri 14:30-18:00" is not on whole hours`}, append(ask[3:], "--peak", "Mon-Fri 14:30-18:00")},
			{[]string{`--peak-months: "13" is no month`}, append(ask[3:], "--peak", "daily 14:00-18:00", "--peak-months", "13")},
			{[]string{"--peak-months: months without a window"}, append(ask[3:], "--peak-months", "6-9")},
			{[]string{`--model: "best" is not known: use auto, air`}, append(ask[3:], "--model", "best")},
			{[]string{`--machine: the site file has no machine "comp9": use one of comp1`}, append(ask[3:], "--machine", "comp9")},
			{[]string{"--production: ", "wrong.csv", `line 3: count "many" of 2026-03-03: write a number`}, append(ask[3:], "--production", wrong)},
		} {
			mustFail(t, exitWrongUse, tt.says, append([]string{"compare", "--site", site}, tt.args...)...)
		}
	}
	both()
	if code := u.stop(); code != exitFine {
		t.Fatalf("ended with %d; stderr:\n%s", code, u.stderr)
	}
	both()
}
