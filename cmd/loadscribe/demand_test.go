package main

import (
	"encoding/csv"
	"encoding/json"
	"math"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"loadscribe/agent/analysis"
	"loadscribe/cmd/loadscribe/stage"
	"loadscribe/simulator"
)

// TestDemandCommand asks a stopped and a running agent for the same demand, in
// every form.
func TestDemandCommand(t *testing.T) {
	sc, err := simulator.LoadScenario("joinery")
	if err != nil {
		t.Fatal(err)
	}
	s, err := stage.Open(t.TempDir(), stage.Options{Scenario: "joinery", Start: simulator.BenchStart(sc.Location).Add(7 * time.Hour), WarmUp: time.Hour, Length: 2 * time.Hour})
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Record(t.Context(), "test"); err != nil {
		t.Fatal(err)
	}
	site := filepath.Join(s.Dir, stage.SiteFile)
	from, to := s.From.UTC().Format(time.RFC3339), s.To.UTC().Format(time.RFC3339)
	args := []string{"demand", "--site", site, "--from", from, "--to", to, "--step", "30m"}
	check := func() (text string) {
		t.Helper()
		var d analysis.Demand
		text = mustRun(t, append(args, "--json")...)
		if err := json.Unmarshal([]byte(text), &d); err != nil {
			t.Fatal(err)
		}
		if len(d.Steps) != 4 || d.StepS != 1800 || d.Mean == nil || d.ResolutionS <= 0 || len(d.Budget) == 0 {
			t.Fatalf("%d steps, mean %v, resolution %g s, budget %v", len(d.Steps), d.Mean, d.ResolutionS, d.Budget)
		}
		rows, err := csv.NewReader(strings.NewReader(mustRun(t, append(args, "--csv")...))).ReadAll()
		if err != nil || len(rows) != 5 {
			t.Fatalf("%d rows of CSV, %v", len(rows), err)
		}
		for i, row := range rows[1:] {
			flow, err := strconv.ParseFloat(row[1], 64)
			at := s.From.Add(time.Duration(i) * 30 * time.Minute)
			p := s.World.Truth().Plant(at, at.Add(30*time.Minute))
			want := (p.UsedM3 + p.LeakedM3 + p.PurgedM3 + p.DrainedM3) / 1800
			if err != nil || d.Steps[i].U == nil || math.Abs(flow-want) > 2**d.Steps[i].U {
				t.Errorf("from %s: %g m³/s, truly %.5f, %v", row[0], flow, want, err)
			}
		}
		if out := mustRun(t, args...); !strings.Contains(out, "not resolvable below") || !strings.Contains(out, "2026-03-02 07:30") || !strings.Contains(out, "± [cfm]") || strings.Contains(out, "widened") {
			t.Errorf("for people it prints:\n%s", out)
		}
		return text
	}
	stopped := check()
	// A window that is no whole number of steps is widened, and that is said.
	late := s.From.Add(10 * time.Minute).UTC().Format(time.RFC3339)
	if out := mustRun(t, "demand", "--site", site, "--from", late, "--to", to, "--step", "30m"); !strings.Contains(out, "note: the window was widened to whole steps of 30 min\n") {
		t.Errorf("of a window from ten past it prints:\n%s", out)
	}
	mustFail(t, exitWrongUse, []string{`--step "40s"`, "whole minutes"}, "demand", "--site", site, "--step", "40s")
	mustFail(t, exitWrongUse, []string{`--system "mains"`, "write one of main"}, "demand", "--site", site, "--system", "mains")
	mustFail(t, exitWrongUse, []string{"--csv and --json"}, "demand", "--site", site, "--csv", "--json")
	u := start(t, "run", "--site", site, "--listen", "127.0.0.1:0")
	agentAt(t, s.Dir)
	if running := check(); running != stopped {
		t.Errorf("a running agent answers\n%s\na stopped one\n%s", running, stopped)
	}
	mustFail(t, exitWrongUse, []string{"--step: ", "more than 50000 steps"}, "demand", "--site", site, "--from", "-300d", "--step", "1m")
	u.stop()
}
