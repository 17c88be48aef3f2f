package main

import (
	"encoding/json"
	"math"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"loadscribe/agent/analysis"
	"loadscribe/cmd/loadscribe/stage"
	"loadscribe/simulator"
)

// TestMoneyCommand asks a stopped and a running agent for the same money, and holds
// for how long how much was drawn to what the simulated plant truly drew.
func TestMoneyCommand(t *testing.T) {
	sc, err := simulator.LoadScenario("joinery")
	if err != nil {
		t.Fatal(err)
	}
	s, err := stage.Open(t.TempDir(), stage.Options{Scenario: "joinery", Start: simulator.BenchStart(sc.Location).Add(7 * time.Hour), WarmUp: time.Hour, Length: 4 * time.Hour})
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Record(t.Context(), "test"); err != nil {
		t.Fatal(err)
	}
	site := filepath.Join(s.Dir, stage.SiteFile)
	to := s.To.Add(-time.Hour) // a stopped agent's present is its last scan
	args := []string{"money", "--site", site, "--from", s.From.UTC().Format(time.RFC3339), "--to", to.UTC().Format(time.RFC3339)}
	stopped := mustRun(t, append(args, "--json")...)
	var m analysis.Money
	if err := json.Unmarshal([]byte(stopped), &m); err != nil {
		t.Fatal(err)
	}
	var truly []float64
	for at := s.From; at.Before(to); at = at.Add(time.Minute) {
		p := s.World.Truth().Plant(at, at.Add(time.Minute))
		truly = append(truly, p.UsedM3+p.LeakedM3+p.PurgedM3+p.DrainedM3) // a minute's
	}
	slices.Sort(truly)
	slices.Reverse(truly)
	checked, missed := 0, 0
	for _, c := range m.Duration.Curve {
		if c.Share < 0.05 || c.Share > 0.95 { // both ends are widened by the noise of single steps
			continue
		}
		checked++
		want := truly[int(c.Share*float64(len(truly)))]
		if d := math.Abs(c.Flow - want); d > c.U {
			missed++
			t.Logf("drawn for %g of the time: %.3f ± %.3f m³/min, truly %.3f", c.Share, c.Flow, c.U, want)
		}
	}
	if missed*20 > checked { // 95 % intervals
		t.Errorf("%d of %d points of the curve miss what was drawn", missed, checked)
	}
	if checked < 40 || len(m.Hours.Rows) != 3 || len(m.Split.States) < 2 || len(m.Pressure) != 1 || len(m.Pressure[0].Steps) != 2 {
		t.Errorf("%d points, %d hours, %d states, pressure %+v", checked, len(m.Hours.Rows), len(m.Split.States), m.Pressure)
	}
	out := mustRun(t, args...)
	for _, want := range []string{"by what the machines did", "half of it fell in", "more was drawn for", "power under load", "for comparison: the rule of thumb"} {
		if !strings.Contains(out, want) {
			t.Errorf("%q is not in:\n%s", want, out)
		}
	}
	mustFail(t, exitWrongUse, []string{"--machine", "no machine"}, "money", "--site", site, "--machine", "comp9")
	u := start(t, "run", "--site", site, "--listen", "127.0.0.1:0")
	agentAt(t, s.Dir)
	var r analysis.Money
	if err := json.Unmarshal([]byte(mustRun(t, append(args, "--json")...)), &r); err != nil {
		t.Fatal(err)
	}
	r.Bills, m.Bills = nil, nil // for the one the billing month is over, for the other it is not
	r.Year, m.Year = nil, nil
	r.Figures, m.Figures = r.Figures[:2], m.Figures[:2] // before demand_cost
	running, err := json.Marshal(r)
	rest, err2 := json.Marshal(m)
	if err != nil || err2 != nil || string(running) != string(rest) {
		t.Errorf("a running agent answers\n%s\na stopped one\n%s", running, rest)
	}
	mustFail(t, exitWrongUse, []string{"at most 35"}, "money", "--site", site, "--from", "-300d")
	u.stop()
}
