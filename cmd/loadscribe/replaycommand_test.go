package main

import (
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"loadscribe/agent"
	"loadscribe/agent/replay"
	"loadscribe/agent/sitefile"
	"loadscribe/cmd/loadscribe/stage"
	"loadscribe/simulator"
)

// TestReplayCommand asks the files of a stopped agent and then a running one about
// the morning of a simulated joinery: the same answers, the same refusals.
func TestReplayCommand(t *testing.T) {
	if testing.Short() {
		t.Skip("the jobs of a running agent have tests of their own")
	}
	dir := t.TempDir()
	sc, err := simulator.LoadScenario("joinery")
	if err != nil {
		t.Fatal(err)
	}
	s, err := stage.Open(dir, stage.Options{Scenario: "joinery", Start: simulator.BenchStart(sc.Location).Add(8 * time.Hour), WarmUp: 2 * time.Hour, Length: 3 * time.Hour})
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Record(context.Background(), "test"); err != nil {
		t.Fatal(err)
	}
	stopped := askForReplays(t, s)
	u := start(t, "run", "--site", s.SitePath, "--listen", "127.0.0.1:0")
	agentAt(t, dir)
	for i, text := range askForReplays(t, s) {
		if text != stopped[i] {
			t.Errorf("answer %d of the running agent:\n%s\nof the stopped one:\n%s", i, text, stopped[i])
		}
	}
	brokenOff(t, s)
	if code := u.stop(); code != exitFine {
		t.Fatalf("ended with %d; stderr:\n%s", code, u.stderr)
	}
}

// askForReplays asks for answers and refusals and returns what was answered.
func askForReplays(t *testing.T, s *stage.Stage) []string {
	t.Helper()
	dir := t.TempDir()
	file := func(name, text string) string {
		t.Helper()
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
		return path
	}
	const search = "[search.vary]\n\"comp1.cut_out\" = [\"110 psi\", \"as is\"]\n[search.limits]\nstarts_per_hour = 30\nbelow_minimum = \"3 h\"\n"
	changes := file("changes.toml", "[[alternative]]\nname = \"lower\"\nset = { \"comp1.cut_out\" = \"110 psi\" }\n"+search)
	wrongKey := file("wrong.toml", "[[alternative]]\nname = \"lower\"\nset = { \"comp1.cut_owt\" = \"110 psi\" }\n")
	wrongFile := file("worse.toml", "[[alternative]]\nnam = \"lower\"\n")
	list := file("machines.toml", "[[machine]]\nid = \"m1\"\nrated_power = \"37 kW\"\n")
	trace := filepath.Join(dir, "trace.csv")
	window := []string{"replay", "--site", s.SitePath, "--from", s.From.Format(time.RFC3339), "--to", s.To.Format(time.RFC3339)}
	with := func(args ...string) []string { return append(append([]string{}, window...), args...) }

	text := mustRun(t, with("--changes", changes, "--set", "comp1.no_load_stop=10 min", "--trace", trace)...)
	for _, want := range []string{"measured, and replayed with the present settings", "alternative 1: as the flags have it", "alternative 2: lower", "what it rests on"} {
		if !strings.Contains(text, want) {
			t.Errorf("%q is not in\n%s", want, text)
		}
	}
	traced, err := os.ReadFile(trace)
	if err != nil {
		t.Fatal(err)
	}
	for _, run := range []string{"\npresent settings,", "\nas the flags have it,", "\nlower,"} {
		if n := strings.Count(string(traced), run); n < 20 {
			t.Errorf("%d rows of %q in the trace", n, run)
		}
	}
	asJSON := mustRun(t, with("--changes", changes, "--search", "--json")...)
	var a replay.Answer
	if err := json.Unmarshal([]byte(asJSON), &a); err != nil || a.System != "main" || len(a.Results) != 1 || a.Search == nil || a.Search.Tried != 2 {
		t.Errorf("as JSON: %v, %+v", err, a)
	}
	if !a.Fit.Poor && (a.Present.Energy.Value == nil || *a.Present.Energy.Value <= 0) {
		t.Errorf("the present settings: %+v", a.Present)
	}
	for _, tt := range []struct {
		says []string
		args []string
	}{
		{[]string{"--from: ", `"soon" is not a time`}, []string{"--from", "soon"}},
		{[]string{"--from: ", "not before the end"}, []string{"--from", "now", "--to", "-1h"}},
		{[]string{"--system: ", "comp9"}, with("--system", "comp9")[3:]},
		{[]string{`--set "comp1.cut_out": write KEY=VALUE`}, []string{"--set", "comp1.cut_out"}},
		{[]string{"--set comp1.cut_owt: ", `did you mean "comp1.cut_out"?`}, with("--set", "comp1.cut_owt=110 psi")[3:]},
		{[]string{"wrong.toml: comp1.cut_owt: ", `did you mean "comp1.cut_out"?`}, with("--changes", wrongKey)[3:]},
		{[]string{"--search: ", "[search.vary]"}, []string{"--search", "--changes", wrongKey}},
		{[]string{"--trace: ", "ask for a shorter window"}, []string{"--from", "2025-01-01", "--trace", trace + "2"}},
		{[]string{"--trace " + trace + " is there already"}, []string{"--trace", trace}},
		{[]string{"--trace " + s.SitePath + " would write over", "which the site rests on"}, []string{"--trace", s.SitePath, "--force"}},
	} {
		mustFail(t, exitWrongUse, tt.says, append([]string{"replay", "--site", s.SitePath}, tt.args...)...)
	}
	for _, tt := range []struct{ says, flag, path string }{
		{"worse.toml:2:", "--changes", wrongFile}, {"machines.toml:", "--machines", list}, {"none.toml", "--changes", dir + "/none.toml"},
	} {
		mustFail(t, exitFailed, []string{tt.says}, "replay", "--site", s.SitePath, tt.flag, tt.path)
	}
	var rest strings.Builder
	for line := range strings.Lines(text) {
		if !strings.Contains(line, "USD") {
			rest.WriteString(line)
		}
	}
	return []string{rest.String(), string(traced), withoutMoney(t, &a)}
}

// withoutMoney is an answer without what goes by the present: of the month whose
// demand charge it shares the running agent knows the end.
func withoutMoney(t *testing.T, a *replay.Answer) string {
	t.Helper()
	none := func(o *replay.Outcome) { o.Cost, o.DemandCost = replay.Amount{}, replay.Amount{} }
	none(&a.Measured)
	none(&a.Present)
	all := []*replay.Result{}
	for i := range a.Results {
		all = append(all, &a.Results[i])
	}
	for i := range a.Search.Points {
		all = append(all, &a.Search.Points[i].Result)
	}
	for _, r := range all {
		none(&r.Outcome)
		r.SavedCost, r.SavedYear = replay.Amount{}, replay.Amount{}
	}
	text, err := json.Marshal(a)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// brokenOff leaves a replay in a running agent: its job is broken off.
func brokenOff(t *testing.T, s *stage.Stage) {
	t.Helper()
	in, _, err := agent.ReadInstance(s.Site.Agent.DataDir)
	if err != nil {
		t.Fatal(err)
	}
	r := &running{in: in, client: &http.Client{Transport: &http.Transport{DisableKeepAlives: true}}}
	ctx, leave := context.WithCancel(context.Background())
	defer leave()
	_, err = r.Replay(ctx, agent.ReplayRequest{From: s.From.Format(time.RFC3339), To: s.To.Format(time.RFC3339)}, func(int, int) { leave() })
	if !errors.Is(err, context.Canceled) || !strings.Contains(err.Error(), "the replay was cancelled") {
		t.Errorf("left: %v", err)
	}
}

// The example of alternatives and of a search is read as it stands, and what it
// names is there.
func TestReplayExample(t *testing.T) {
	c, err := replay.ReadChanges("../../configs/replay/changes.toml")
	if err != nil {
		t.Fatal(err)
	}
	if len(c.Alternatives) != 6 || c.Search == nil || len(c.Search.Vary) != 4 {
		t.Errorf("%d alternatives, search %+v", len(c.Alternatives), c.Search)
	}
	if _, err := sitefile.Load("../../configs/joinery.toml", sitefile.Options{}); err != nil {
		t.Fatal(err)
	}
}
