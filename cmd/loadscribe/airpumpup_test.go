package main

import (
	"fmt"
	"math"
	"testing"
	"time"

	"loadscribe/agent/analysis"
	"loadscribe/cmd/loadscribe/airtruth"
)

// TestPumpUpNarrows plays the pump-up test with true flows all over their span:
// its result holds the true flow, and what rests on the nameplate before becomes
// as narrow as was claimed beside it (Figure.Narrower), or narrower.
func TestPumpUpNarrows(t *testing.T) {
	if testing.Short() {
		t.Skip("records simulated hours; not under -short")
	}
	t.Parallel() // behind the tests of real time, which it would disturb
	const runs = 8
	held := map[string]int{}
	for k, flow := range airtruth.Flows(runs) {
		// Saturday from 06:00; the test is at 09:00.
		r := airtruth.Run{Scenario: "pump-up-test", Seed: uint64(2000 + k), Flow: flow, PumpUp: true, After: -42 * time.Hour, Length: 8 * time.Hour}
		p, err := r.Play(t.Context(), t.TempDir())
		if err != nil {
			t.Fatal(err)
		}
		rows, err := p.Rows()
		if err != nil {
			t.Fatal(err)
		}
		for _, name := range []string{"full_load_flow", "air_delivered", "specific_power", "specific_power_loaded", "specific_power_rated"} {
			before, after := named(t, p.Untested.Machines[0].Figures, name), named(t, p.Report.Machines[0].Figures, name)
			what := fmt.Sprintf("flow %.3f: %s", flow, name)
			if before.Uncertainty == nil || after.Uncertainty == nil {
				t.Errorf("%s is absent: %q, %q", what, before.Absent, after.Absent)
				continue
			}
			held[name] += narrowed(t, what, before, after, rows)
		}
	}
	for name, n := range held {
		t.Logf("%s: %d of %d hold what happened", name, n, runs)
		if n < runs-1 {
			t.Errorf("%s: after the test %d of %d intervals hold what happened", name, n, runs)
		}
	}
}

// narrowed prints a figure before and after the test beside the truth, fails
// where it is wider than claimed, and gives 1 where it holds the truth.
func narrowed(t *testing.T, what string, before, after *analysis.Figure, rows []airtruth.Row) int {
	t.Helper()
	truth := math.NaN()
	holds := 0
	for i := range rows {
		if rows[i].Name == before.Name {
			if truth = rows[i].Truth; rows[i].Holds() {
				holds = 1
			}
		}
	}
	share := func(f *analysis.Figure) float64 { return 100 * *f.Uncertainty / *f.Value }
	claimed := "nothing claimed"
	if n := before.Narrower; n != nil {
		claimed = fmt.Sprintf("claimed %.1f %% (%s)", 100*n.Uncertainty / *before.Value, n.Sentence)
		// The result differs from the nameplate, so shares of the value are compared.
		if got, want := share(after), 100*n.Uncertainty / *before.Value; got > 1.25*want {
			t.Errorf("%s: %.2f %% after the test, %.2f %% was claimed", what, got, want)
		}
	}
	t.Logf("%s: %.4g ± %.1f %%, after the test %.4g ± %.1f %%, truly %.4g (off %+.1f %%); %s", what, *before.Value, share(before),
		*after.Value, share(after), truth, 100*(*after.Value/truth-1), claimed)
	// A narrowing is named where it takes a quarter off at least.
	if share(after) > 0.75*share(before) {
		t.Errorf("%s: ±%.1f %% before and ±%.1f %% after the test: it bought next to nothing", what, share(before), share(after))
	}
	return holds
}
