package main

import (
	"bytes"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"loadscribe/agent"
	"loadscribe/agent/analysis"
	"loadscribe/cmd/loadscribe/stage"
	"loadscribe/simulator"
)

// confusion is the time in ms by the true state and the one found.
type confusion map[simulator.State]map[analysis.State]int64

// confusionOf walks the truth and the runs side by side.
func confusionOf(t *testing.T, truth *simulator.Truth, machine string, runs []analysis.Run, from, to time.Time) confusion {
	t.Helper()
	state, err := truth.StateAt(machine, from)
	if err != nil {
		t.Fatal(err)
	}
	changes, err := truth.Transitions(machine, from, to)
	if err != nil {
		t.Fatal(err)
	}
	c := confusion{}
	add := func(s simulator.State, a, b int64) {
		for _, r := range runs {
			if ms := min(b, r.ToMS) - max(a, r.FromMS); ms > 0 {
				if c[s] == nil {
					c[s] = map[analysis.State]int64{}
				}
				c[s][r.State] += ms
			}
		}
	}
	at := from.UnixMilli()
	for _, ch := range changes {
		add(state, at, ch.Time.UnixMilli())
		state, at = ch.State, ch.Time.UnixMilli()
	}
	add(state, at, to.UnixMilli())
	return c
}

// table writes the confusion for people: a row a true state, in seconds.
func (c confusion) table() string {
	var b strings.Builder
	found := analysis.States()
	for s := simulator.State(0); s < simulator.NumStates; s++ {
		if len(c[s]) == 0 {
			continue
		}
		fmt.Fprintf(&b, "  truly %-10v", s)
		for _, f := range found {
			if ms := c[s][f]; ms > 0 {
				fmt.Fprintf(&b, " %v %.1f s,", f, float64(ms)/1000)
			}
		}
		b.WriteString("\n")
	}
	return b.String()
}

// TestStatesAgainstTruth tells the joinery's states from its signals, from
// power alone and from current alone, with levels learnt from the same record,
// and prints which state was taken for which.
func TestStatesAgainstTruth(t *testing.T) {
	if testing.Short() {
		t.Skip("records simulated days; not under -short")
	}
	t.Parallel() // behind the tests of real time, which it would disturb
	s, err := stage.Open(t.TempDir(), stage.Options{Scenario: "joinery", Length: 48 * time.Hour})
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Record(t.Context(), "test"); err != nil {
		t.Fatal(err)
	}
	for _, b := range blindings() {
		t.Run(b.name, func(t *testing.T) {
			site := b.of(s.Site)
			m := &site.Machines[0]
			a, err := agent.Open(site, agent.Options{Version: "test", Log: slog.New(slog.DiscardHandler)})
			if err != nil {
				t.Fatal(err)
			}
			defer a.Close()
			if b.away != nil {
				held, err := a.ChangeLevels(t.Context(), agent.LevelsChange{Machine: m.Name, Learn: true})
				if err != nil || held.Missing != "" {
					t.Fatalf("learn: %v %s", err, held.Missing)
				}
				t.Logf("%s; %+v", held.Method, held.Modes)
			}
			checkStory(t, a, s, m.Name, b.away == nil)
		})
	}
}

// checkStory holds starts, load cycles and duty to the truth.
func checkStory(t *testing.T, a *agent.Agent, s *stage.Stage, machine string, signals bool) {
	t.Helper()
	from, to := s.From, s.To.Add(-2*time.Second)
	runs, err := analysis.StateRuns(a.Source(), a.Site(), machine, from.UnixMilli(), to.UnixMilli())
	if err != nil {
		t.Fatal(err)
	}
	truth := s.World.Truth()
	t.Logf("%s:\n%s", machine, confusionOf(t, truth, machine, runs, from, to).table())
	report, err := a.History.Figures(from.UnixMilli(), to.UnixMilli(), machine)
	if err != nil {
		t.Fatal(err)
	}
	// Rule 4: the same to the last bit from all raw scans in one go.
	raw, err := analysis.ComputeRaw(a.Source(), a.Site(), from.UnixMilli(), to.UnixMilli(), to.UnixMilli(), machine)
	if err != nil {
		t.Fatal(err)
	}
	var pieces, whole bytes.Buffer
	if err := errors.Join(printJSON(&pieces, report), printJSON(&whole, raw)); err != nil {
		t.Fatal(err)
	}
	if pieces.String() != whole.String() {
		t.Errorf("from summaries\n%s\nfrom raw\n%s", pieces.String(), whole.String())
	}
	for _, f := range report.Machines[0].Findings {
		t.Errorf("a sound machine, and yet: %+v", f)
	}
	value := func(name string) float64 {
		for _, f := range report.Machines[0].Figures {
			if f.Name == name && f.Value != nil {
				return *f.Value
			} else if f.Name == name {
				t.Errorf("%s is absent: %s", name, f.Absent)
			}
		}
		return math.NaN()
	}
	totals, err := truth.Totals(machine, from, to)
	if err != nil {
		t.Fatal(err)
	}
	if got := value("starts"); got != float64(totals.Starts) {
		t.Errorf("starts: %v, truly %d", got, totals.Starts)
	}
	// A level must rise and hold for two readings: a load cut off before that,
	// by a stop say, is not seen without its signal.
	least := totals.LoadCycles
	if !signals {
		least -= shortLoads(t, truth, machine, from, to)
	}
	if got := value("load_cycles"); got < float64(least) || got > float64(totals.LoadCycles) {
		t.Errorf("load cycles: %v, truly %d, of which %d last", got, totals.LoadCycles, least)
	}
	within := 0.005
	if signals {
		within = 0.001
	}
	want := totals.States[simulator.Loaded].Seconds() / totals.Running().Seconds()
	got := value("duty_cycle")
	t.Logf("duty %.4f, truly %.4f; %d starts, %d load cycles", got, want, totals.Starts, totals.LoadCycles)
	if !(math.Abs(got-want) <= within) {
		t.Errorf("duty %.4f, truly %.4f: more than %v apart", got, want, within)
	}
}

// shortLoads counts the loads of less than four seconds.
func shortLoads(t *testing.T, truth *simulator.Truth, machine string, from, to time.Time) int {
	t.Helper()
	all, err := truth.Transitions(machine, from, to)
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for i := 1; i < len(all); i++ {
		if all[i-1].State == simulator.Loaded && all[i].Time.Sub(all[i-1].Time) < 4*time.Second {
			n++
		}
	}
	return n
}

// TestLevelsCommand learns the levels of a machine that has a meter and no
// controller, over the command line, with the agent stopped.
func TestLevelsCommand(t *testing.T) {
	if testing.Short() {
		t.Skip("records simulated hours; not under -short")
	}
	t.Parallel()
	s, err := stage.Open(t.TempDir(), stage.Options{Scenario: "joinery", Length: 16 * time.Hour})
	if err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(s.SitePath)
	if err != nil {
		t.Fatal(err)
	}
	blind := strings.Replace(string(text), `controller = "*", `, "", 1)
	if blind == string(text) {
		t.Fatalf("the site file has no controller to take away:\n%s", text)
	}
	if err := s.Record(t.Context(), "test"); err != nil {
		t.Fatal(err)
	}
	site := filepath.Join(s.Dir, "blind.toml")
	if err := os.WriteFile(site, []byte(blind), 0o644); err != nil {
		t.Fatal(err)
	}
	run := func(want int, args ...string) string {
		t.Helper()
		var out, errs bytes.Buffer
		if code := execute(t.Context(), append([]string{"levels", "--site", site}, args...), &out, &errs); code != want {
			t.Fatalf("levels %v ended with %d, want %d: %s%s", args, code, want, out.String(), errs.String())
		}
		return out.String() + errs.String()
	}
	contains := func(text string, parts ...string) {
		t.Helper()
		for _, p := range parts {
			if !strings.Contains(text, p) {
				t.Errorf("%q does not contain %q", text, p)
			}
		}
	}
	contains(run(exitFine), "assumed shares of the rated value")
	contains(run(exitFailed, "--learn", "--from", s.From.Format(time.RFC3339), "--to", s.From.Add(time.Minute).Format(time.RFC3339)), "nothing was learnt")
	contains(run(exitFine, "--learn"), "learnt from its own data", "seen unloaded", "seen loaded")
	contains(run(exitFine), "learnt from its own data (calibration")
	contains(run(exitFine, "--run", "5 kW", "--load", "22 kW"), "set by hand", "from 22 kW up")
	contains(run(exitWrongUse, "--run", "5 A"), "kW")
	contains(run(exitWrongUse, "--load", "22 kW"), "running level")
	contains(run(exitWrongUse, "--from", "-1d"), "--learn")
	contains(run(exitFine, "--forget"), "assumed shares")
	contains(run(exitFine, "--json"), `"source": "assumed"`)
}
