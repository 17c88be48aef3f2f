package main

import (
	"cmp"
	"fmt"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"loadscribe/cmd/loadscribe/airtruth"
	"loadscribe/simulator"
)

// TestAirCoverage plays every scenario, with other seeds than its own and with
// true flows spread from 12 % below to 5 % above the nameplate, and counts how
// often the stated 95 % interval of each figure of air holds what happened, and
// how wide it is. A run counts once for each machine: most of a figure's error
// (the nameplate's) is the same through all of a run. What cannot be told in a
// scenario must be absent there, with its reason, and nowhere else. With
// LOADSCRIBE_LONG each scenario is played ten times.
func TestAirCoverage(t *testing.T) {
	if testing.Short() {
		t.Skip("records simulated days; not under -short")
	}
	t.Parallel() // behind the tests of real time, which it would disturb
	times := 1
	if os.Getenv("LOADSCRIBE_LONG") != "" {
		times = 10
	}
	rows := playRuns(t, times)
	slices.SortFunc(rows, func(a, b airtruth.Row) int {
		return cmp.Or(cmp.Compare(a.Name, b.Name), cmp.Compare(a.Run.Scenario, b.Run.Scenario), cmp.Compare(a.Run.Seed, b.Run.Seed), cmp.Compare(a.Subject, b.Subject))
	})
	t.Logf("%-22s %9s %7s %7s %8s  %s", "figure", "intervals", "hold", "width", "ceiling", "budget of the ceiling")
	for _, l := range airLimits() {
		l.hold(t, rows)
	}
}

// TestNoQuietHour: works in three shifts have no quiet hour from Monday to Friday, and
// the figures of leaks say so; their week's end is in TestAirCoverage.
func TestNoQuietHour(t *testing.T) {
	if testing.Short() {
		t.Skip("records a simulated day; not under -short")
	}
	t.Parallel()
	r := airtruth.Run{Scenario: "three-shifts", After: 24 * time.Hour, Length: 12 * time.Hour}
	p, err := r.Play(t.Context(), t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"quiet_demand", "quiet_pressure", "leak_flow", "leak_share", "leak_cost"} {
		if f := figureNamed(t, p.Report.Systems[0].Figures, name); !strings.Contains(f.Absent, "no quiet hour") {
			t.Errorf("%s: %v, absent %q; want it absent for there is no quiet hour", name, f.Value, f.Absent)
		}
	}
	if f := figureNamed(t, p.Report.Systems[0].Figures, "air_demand_mean"); f.Value == nil {
		t.Errorf("the demand itself is known, but absent: %s", f.Absent)
	}
}

// playRuns plays each scenario so often, on two cores at once as a rule, and
// gives all rows. The seeds are fixed: the same runs each time.
func playRuns(t *testing.T, times int) (rows []airtruth.Row) {
	scenarios := simulator.Scenarios()
	flows := airtruth.Flows(len(scenarios) * times)
	var mu sync.Mutex
	began := time.Now()
	t.Run("runs", func(t *testing.T) {
		for k, flow := range flows {
			r := airtruth.Run{Scenario: scenarios[k%len(scenarios)], Seed: uint64(1000 + k), Flow: flow}
			t.Run(fmt.Sprintf("%s %d", r.Scenario, r.Seed), func(t *testing.T) {
				t.Parallel()
				p, err := r.Play(t.Context(), t.TempDir())
				if err != nil {
					t.Fatal(err)
				}
				found, err := p.Rows()
				if err != nil {
					t.Fatal(err)
				}
				mu.Lock()
				defer mu.Unlock()
				rows = append(rows, found...)
			})
		}
	})
	t.Logf("%d runs took %.0f s", len(flows), time.Since(began).Seconds())
	return rows
}

// leastCoverage of a stated 95 % interval, over all runs.
const leastCoverage = 0.93

// allowedMisses is how many of n intervals may fail without saying that fewer
// than 93 % hold: all that a share of 7 % gives, and in a few runs at least one.
func allowedMisses(n int) int { return max(1, int((1-leastCoverage)*float64(n))) }

// hold prints a figure's line of the table and fails where it promises too much
// or says too little.
func (l *airLimit) hold(t *testing.T, rows []airtruth.Row) {
	t.Helper()
	take := func(r *airtruth.Row) bool { return !l.excluded(r.Run.Scenario) }
	all := airtruth.TallyOf(rows, l.figure, take)
	plain := airtruth.TallyOf(rows, l.figure, func(r *airtruth.Row) bool { return take(r) && l.wide[r.Run.Scenario] == 0 })
	t.Logf("%-22s %4d/%-4d %6.1f%% %6.1f%% %7.1f%%  %s", l.figure, all.Held, all.Counted, 100*all.Share(), 100*plain.Width, 100*l.ceiling, l.budget)
	if misses := all.Counted - all.Held; misses > allowedMisses(all.Counted) {
		t.Errorf("%s: %d of %d intervals miss what happened; at most %d may", l.figure, misses, all.Counted, allowedMisses(all.Counted))
	}
	if plain.Counted == 0 || plain.Width > l.ceiling {
		t.Errorf("%s: intervals are %.1f %% wide in the mean (%d of them), the ceiling is %.1f %%", l.figure, 100*plain.Width, plain.Counted, 100*l.ceiling)
	}
	for scenario, ceiling := range l.wide {
		w := airtruth.TallyOf(rows, l.figure, func(r *airtruth.Row) bool { return r.Run.Scenario == scenario })
		t.Logf("    %s: %d of %d hold, width %.1f %%, ceiling %.1f %%", scenario, w.Held, w.Counted, 100*w.Width, 100*ceiling)
		if w.Counted > 0 && w.Width > ceiling {
			t.Errorf("%s of %s: intervals are %.1f %% wide in the mean, the ceiling is %.1f %%", l.figure, scenario, 100*w.Width, 100*ceiling)
		}
	}
	for i := range rows {
		if rows[i].Name == l.figure {
			l.row(t, &rows[i])
		}
	}
}

// row holds one figure of one run: there, or absent with the reason wanted.
func (l *airLimit) row(t *testing.T, r *airtruth.Row) {
	t.Helper()
	who := fmt.Sprintf("%s of %s's %s, seed %d, flow %.3f", l.figure, r.Run.Scenario, r.Subject, r.Run.Seed, r.Run.Flow)
	reason, absent := l.reason(r)
	switch {
	case absent && r.Absent == "":
		t.Errorf("%s is %.4g ± %.2g %s; want it absent: %q", who, r.Value, r.U, r.Unit, reason)
	case absent && !strings.Contains(r.Absent, reason):
		t.Errorf("%s is absent: %q; want the reason %q", who, r.Absent, reason)
	case !absent && r.Absent != "" && !l.maybe[r.Run.Scenario]:
		t.Errorf("%s is absent: %s", who, r.Absent)
	case r.Absent != "":
		t.Logf("    absent: %s: %s", who, r.Absent)
	case r.Counts() && !r.Holds():
		t.Logf("    misses: %s: %.4g ± %.2g %s, truly %.4g (off %+.1f %%, stated %.1f %%)%s", who, r.Value, r.U, r.Unit, r.Truth,
			100*(r.Value/r.Truth-1), 100*r.U/r.Value, map[bool]string{true: ", not counted"}[l.excluded(r.Run.Scenario)])
	}
}
