package main

import (
	"fmt"
	"log/slog"
	"math"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"loadscribe/agent"
	"loadscribe/agent/analysis"
	"loadscribe/agent/sitefile"
	"loadscribe/cmd/loadscribe/stage"
	"loadscribe/simulator"
)

// span is observed time in Unix ms.
type span struct{ from, to int64 }

// story is what one machine of a recorded scenario truly did and what was found.
type story struct {
	starts, startsLow, startsHigh int
	loads, loadsLow, loadsHigh    int
	restarts, trueRestarts        int     // by itself after a power failure
	duty, trueDuty                float64 // NaN where it is absent
	fraction, trueFraction        float64 // mean load of a part-load machine while it runs; NaN where absent
	energyKWh, trueEnergyKWh      float64 // of the whole window, gaps included; NaN where it is absent
	unobservedS                   float64
	findings                      map[string]int // by kind
	method                        string
}

// shiftDay is the part of a scenario's week that is told by default, counted from
// Monday midnight in the plant's time: a working day of 05:00 to 19:00, the one
// on which something happens where the scenario has such a day.
func shiftDay(scenario string) (after, length time.Duration) {
	const day = 24 * time.Hour
	after, length = 5*time.Hour, 14*time.Hour
	switch scenario {
	case "failed-blow-down", "fouled-cooler", "power-failures": // Tue 11:00, 09:40, 13:31
		after += day
	case "stuck-inlet-valve": // Wed 10:00
		after += 2 * day
	case "clock-jumps": // Tue 14:00 back, Wed 10:30 forward
		after, length = day+12*time.Hour, 26*time.Hour
	}
	return after, length
}

// TestScenariosAgainstTruth records a working day of every scenario, and where
// LOADSCRIBE_LONG is set the whole week of each with several seeds, and prints
// what was found beside what happened: starts and load cycles exact in observed
// time, duty within 0.1 point with a load signal and within 0.5 without,
// metered energy within 0.2 %, gaps included. The same record is then told from
// power and current alone (tellBlind), and its figures must not hang on how it
// is cut (foldsExactly).
func TestScenariosAgainstTruth(t *testing.T) {
	if testing.Short() {
		t.Skip("records simulated days; not under -short")
	}
	t.Parallel() // behind the tests of real time, which it would disturb
	long := os.Getenv("LOADSCRIBE_LONG") != ""
	for _, name := range simulator.Scenarios() {
		if !long {
			after, length := shiftDay(name)
			sc, err := simulator.LoadScenario(name)
			if err != nil {
				t.Fatal(err)
			}
			o := stage.Options{Scenario: name, Start: simulator.BenchStart(sc.Location).Add(after), WarmUp: time.Hour, Length: length}
			t.Run(name, func(t *testing.T) { tellScenario(t, name, o) })
			continue
		}
		for _, seed := range []uint64{0, 5, 11} {
			o := stage.Options{Scenario: name, Seed: seed, Length: 7 * 24 * time.Hour}
			t.Run(fmt.Sprintf("%s seed %d", name, seed), func(t *testing.T) { tellScenario(t, name, o) })
		}
	}
}

func tellScenario(t *testing.T, name string, o stage.Options) {
	s, err := stage.Open(t.TempDir(), o)
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Record(t.Context(), "test"); err != nil {
		t.Fatal(err)
	}
	a, err := agent.Open(s.Site, agent.Options{Version: "test", Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	defer a.Close() // a second one does nothing
	held, err := a.Levels()
	if err != nil {
		t.Fatal(err)
	}
	for i, h := range held {
		lies := strings.HasPrefix(name, "stuck-inlet")
		signals := !h.Needed
		if h.Needed && h.Channel != "" {
			learnt, err := a.ChangeLevels(t.Context(), agent.LevelsChange{Machine: h.Machine, Learn: true,
				From: agent.StampOf(s.From), To: agent.StampOf(s.To)})
			if err != nil {
				t.Fatal(err)
			}
			t.Logf("%s: levels: %+v %s", h.Machine, learnt.Modes, learnt.Missing)
		}
		got := storyOf(t, a, s, h.Machine)
		t.Logf("%s %s: starts %d of %d, loads %d of %d, restarts %d of %d, duty %.4f truly %.4f, mean load %.4f truly %.4f, energy %.2f kWh truly %.2f, unobserved %.0f s, findings %v; %s", h.Machine, s.Site.Machines[i].Control,
			got.starts, got.startsHigh, got.loads, got.loadsHigh, got.restarts, got.trueRestarts, got.duty, got.trueDuty, got.fraction, got.trueFraction, got.energyKWh, got.trueEnergyKWh, got.unobservedS, got.findings, got.method)
		got.checkEnergy(t, name, h.Machine)
		if lies {
			// What a lying signal says of load is wrong; the finding must be there.
			if got.loadsLow = 0; got.findings["contradictory"] == 0 {
				t.Errorf("%s: no finding says that the load signal lies", h.Machine)
			}
			continue
		}
		got.checkCounts(t, h.Machine)
		got.checkShares(t, &s.Site.Machines[i], signals)
	}
	foldsExactly(t, a, s, o.Seed)
	if err := a.Close(); err != nil {
		t.Error(err)
	}
	checkFindings(t, s, name, o)
	tellBlind(t, s)
}

// checkCounts holds starts and load cycles to what happened in observed time.
func (g *story) checkCounts(t *testing.T, machine string) {
	t.Helper()
	if g.starts < g.startsLow || g.starts > g.startsHigh {
		t.Errorf("%s: %d starts, truly %d to %d", machine, g.starts, g.startsLow, g.startsHigh)
	}
	if g.restarts != g.trueRestarts {
		t.Errorf("%s: %d starts after a power failure, truly %d", machine, g.restarts, g.trueRestarts)
	}
	if g.loads < g.loadsLow || g.loads > g.loadsHigh {
		t.Errorf("%s: %d load cycles, truly %d to %d", machine, g.loads, g.loadsLow, g.loadsHigh)
	}
}

// checkShares holds duty, or the mean load of a part-load machine, to what
// happened; the other is absent.
func (g *story) checkShares(t *testing.T, m *sitefile.Machine, signals bool) {
	t.Helper()
	if m.Control.PartLoad() {
		// A controller's load fraction is a valve's or a drive's position, not a flow.
		if !(math.Abs(g.fraction-g.trueFraction) <= 0.05) || !math.IsNaN(g.duty) {
			t.Errorf("%s: mean load %.4f, truly %.4f of its full flow; duty %.4f", m.Name, g.fraction, g.trueFraction, g.duty)
		}
		return
	}
	within := 0.005
	if signals {
		within = 0.001
	}
	if !(math.Abs(g.duty-g.trueDuty) <= within) || !math.IsNaN(g.fraction) {
		t.Errorf("%s: duty %.4f, truly %.4f: more than %v apart; mean load %.4f", m.Name, g.duty, g.trueDuty, within, g.fraction)
	}
}

// checkEnergy holds the metered energy to 0.2 %, and to the whole watt hours of
// a counter at both ends. With a current transformer the wrong way round the
// meter shows a third of it; of the biased meters each counts 1.5 % too little,
// as its data sheet allows.
func (g *story) checkEnergy(t *testing.T, scenario, machine string) {
	t.Helper()
	counted := g.trueEnergyKWh
	if scenario == "biased-sensors" {
		counted *= 0.985
	}
	within := 0.002*counted + 0.002
	if off := math.Abs(g.energyKWh - counted); (off <= within) == (scenario == "reversed-ct") {
		t.Errorf("%s: %.3f kWh, truly %.3f: %.3f apart, allowed are %.3f", machine, g.energyKWh, g.trueEnergyKWh, off, within)
	}
}

func storyOf(t *testing.T, a *agent.Agent, s *stage.Stage, machine string) *story {
	t.Helper()
	from, to := s.From, s.To.Add(-2*time.Second)
	// The window is of the record's own clock, which may be set otherwise at the
	// end than at the begin.
	wallTo := to.Add(s.World.ClockOffset())
	report, err := a.History.Figures(from.UnixMilli(), wallTo.UnixMilli(), machine)
	if err != nil {
		t.Fatal(err)
	}
	g := &story{duty: math.NaN(), fraction: math.NaN(), energyKWh: math.NaN(), findings: map[string]int{}}
	for _, f := range report.Machines[0].Figures {
		if f.Value == nil {
			continue
		}
		switch f.Name {
		case "starts":
			g.starts = int(*f.Value)
		case "starts_after_power_failure":
			g.restarts = int(*f.Value)
		case "load_cycles":
			g.loads = int(*f.Value)
		case "mean_load_fraction":
			g.fraction = *f.Value
		case "duty_cycle":
			g.duty, g.method = *f.Value, f.Method
		case "energy":
			g.energyKWh = *f.Value
		case "unobserved_time":
			g.unobservedS = *f.Value
		}
	}
	for _, f := range report.Machines[0].Findings {
		g.findings[f.Kind]++
		t.Logf("  %s %s %s to %s: %s", f.Kind, f.Subject, f.From, f.To, f.Sentence)
	}
	g.truth(t, a, s, machine, from, to)
	return g
}

// truth sums what happened over the observed time; an event within two seconds
// of its edge may be seen or not.
func (g *story) truth(t *testing.T, a *agent.Agent, s *stage.Stage, machine string, from, to time.Time) {
	t.Helper()
	spans := []span{{from.UnixMilli(), to.UnixMilli()}}
	truth := s.World.Truth()
	if len(truth.ClockJumps(from, to)) == 0 {
		runs, err := analysis.StateRuns(a.Source(), a.Site(), machine, from.UnixMilli(), to.UnixMilli())
		if err != nil {
			t.Fatal(err)
		}
		spans = observedSpans(runs)
	}
	transitions, err := truth.Transitions(machine, from, to)
	if err != nil {
		t.Fatal(err)
	}
	const edgeMS = 2000
	count := func(begins func(before, now simulator.State) bool, by int64) int {
		n := 0
		before, err := truth.StateAt(machine, from)
		if err != nil {
			t.Fatal(err)
		}
		for _, tr := range transitions {
			at := tr.Time.UnixMilli()
			if begins(before, tr.State) && slices.ContainsFunc(spans, func(p span) bool { return at >= p.from-by && at < p.to+by }) {
				n++
			}
			before = tr.State
		}
		return n
	}
	start := func(before, now simulator.State) bool { return !before.Running() && now.Running() }
	load := func(before, now simulator.State) bool { return !delivers(before) && delivers(now) }
	by := int64(edgeMS)
	if len(spans) == 1 {
		by = 0
	}
	g.startsLow, g.startsHigh = count(start, -by), count(start, by)
	g.loadsLow, g.loadsHigh = count(load, -by), count(load, by)
	var loaded, running time.Duration
	inletM3 := 0.0
	for _, p := range spans {
		sum, err := truth.Totals(machine, time.UnixMilli(p.from), time.UnixMilli(p.to))
		if err != nil {
			t.Fatal(err)
		}
		g.trueRestarts += sum.Restarts
		inletM3 += sum.InletM3
		loaded, running = loaded+sum.States[simulator.Loaded], running+sum.Running()
	}
	whole, err := truth.Totals(machine, from, to)
	if err != nil {
		t.Fatal(err)
	}
	g.trueEnergyKWh = whole.EnergyJ / 3.6e6
	full, err := truth.TrueFlowM3S(machine)
	if err != nil {
		t.Fatal(err)
	}
	g.trueFraction = inletM3 / full / running.Seconds()
	g.trueDuty = loaded.Seconds() / running.Seconds()
}

func delivers(s simulator.State) bool { return s == simulator.Loaded || s == simulator.PartLoad }

// observedSpans joins the runs of known states.
func observedSpans(runs []analysis.Run) []span {
	var all []span
	for _, r := range runs {
		switch n := len(all); {
		case r.State == analysis.Unobserved:
		case n > 0 && all[n-1].to == r.FromMS:
			all[n-1].to = r.ToMS
		default:
			all = append(all, span{r.FromMS, r.ToMS})
		}
	}
	return all
}
