package main

import (
	"context"
	"os"
	"testing"
	"time"

	"loadscribe/agent/analysis"
	"loadscribe/agent/quantity"
	"loadscribe/agent/replay"
	"loadscribe/agent/sitefile"
	"loadscribe/cmd/loadscribe/replaytruth"
	"loadscribe/simulator"
)

// truthSearch is what the search of the joinery may change, within which limits.
const truthSearch = `
[search.vary]
"comp1.cut_in" = { from = "92 psi", to = "104 psi", step = "4 psi" }
"comp1.cut_out" = { from = "106 psi", to = "120 psi", step = "7 psi" }
"comp1.no_load_stop" = ["2 min", "5 min", "10 min"]
volume_add = ["as is", "400 gal"]
[search.limits]
below_minimum = "20 min"
starts_per_hour = 6
`

// TestSearchAgainstTruth: what a search recommends is done to the simulated plant, with
// the same people at the same times. It must save what was said, within the interval,
// more than half of what was said in any case, and keep the limit of the time below
// the minimum within that figure's interval. LOADSCRIBE_LONG=1: a week and more plants.
func TestSearchAgainstTruth(t *testing.T) {
	if testing.Short() {
		t.Skip("simulates a day several times")
	}
	window, seeds := replaytruth.Window{After: 6 * time.Hour, Length: 12 * time.Hour}, []uint64{11}
	if os.Getenv("LOADSCRIBE_LONG") != "" {
		window, seeds = replaytruth.Window{Length: 5 * 24 * time.Hour}, []uint64{11, 12, 13, 14}
	}
	changes, err := replay.ParseChanges("truth.toml", []byte(truthSearch))
	if err != nil {
		t.Fatal(err)
	}
	for _, seed := range seeds {
		var best replay.Result
		ask := func(ctx context.Context, src analysis.Source, site *sitefile.Site, q replay.Query) (replay.Answer, error) {
			q.Alternatives, q.Search = nil, changes.Search
			a, err := replay.Run(ctx, src, site, q)
			if err == nil && a.Search != nil && len(a.Search.Points) > 0 {
				best = a.Search.Points[0].Result // least energy
				a.Results = []replay.Result{best}
			}
			return a, err
		}
		pair := replaytruth.Pair{Name: "the best that a search finds", Scenario: "joinery", Seed: seed, Flow: 0.96,
			Change: func(s *simulator.Scenario) { doSettings(t, s, best.Set) }}
		p, err := pair.Play(t.Context(), t.TempDir(), window, ask)
		if err != nil {
			t.Fatal(err)
		}
		f := p.Answer.Search
		t.Logf("seed %d: %d tried, %d allowed, %d best; the least energy with %s", seed, f.Tried, f.Allowed, f.Best, best.Flags)
		for _, r := range p.Rows() {
			t.Logf("  %-16s %8.4g ± %-8.3g truth %8.4g", r.Figure, r.Value, r.U, r.Truth)
			if r.Figure == replaytruth.Saving && (!r.Holds() || r.Value <= 0 || r.Truth < r.Value/2) {
				t.Errorf("seed %d: the search promised to save %.4g ± %.3g kWh, in truth %.4g", seed, r.Value, r.U, r.Truth)
			}
		}
		low, limitS := p.Result.Outcome.BelowS, 1200.0
		t.Logf("  below minimum    %8.4g ± %-8.3g truth %8.4g s", *low.Value, *low.Interval, p.Changed.Low.Seconds())
		if *low.Value > limitS || p.Changed.Low.Seconds() > limitS+*low.Interval {
			t.Errorf("seed %d: told %.4g ± %.3g s below the minimum, in truth %v; the limit is %.4g s", seed, *low.Value, *low.Interval, p.Changed.Low, limitS)
		}
	}
}

// doSettings does to the scenario what truthSearch may set.
func doSettings(t *testing.T, s *simulator.Scenario, set []replay.Setting) {
	t.Helper()
	m := &s.Machines[0]
	for _, c := range set {
		q, err := quantity.Parse(c.Value)
		if err != nil {
			t.Fatal(err)
		}
		switch c.Key {
		case "comp1.cut_in":
			m.CutInPa = q.SI()
		case "comp1.cut_out":
			m.CutOutPa = q.SI()
		case "comp1.no_load_stop":
			m.NoLoadStop = time.Duration(q.SI() * float64(time.Second))
		case "volume_add":
			for i := range s.Parts {
				if s.Parts[i].Name == "receiver" {
					s.Parts[i].VolumeM3 += q.SI()
				}
			}
		default:
			t.Fatalf("%s is not among what may vary", c.Key)
		}
	}
}
