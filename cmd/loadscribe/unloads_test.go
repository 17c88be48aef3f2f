package main

import (
	"log/slog"
	"math"
	"strings"
	"testing"
	"time"

	"loadscribe/agent"
	"loadscribe/agent/analysis"
	"loadscribe/agent/display"
	"loadscribe/agent/scan"
	"loadscribe/cmd/loadscribe/stage"
	"loadscribe/simulator"
)

// trueUnloads is what truly became of a machine's unloads in a window.
type trueUnloads struct {
	all, long, blown, kept      int     // long: a minute and more
	blownS, residualPa, settled float64 // medians, and mean W; NaN where there is none
	restful                     int     // at rest for half a minute and more
}

func unloadsTruly(t *testing.T, s *stage.Stage, machine string, from, to time.Time) (g trueUnloads) {
	t.Helper()
	list, err := s.World.Truth().Unloads(machine, from, to)
	if err != nil {
		t.Fatal(err)
	}
	var blown, residual []float64
	var joules, seconds float64
	for _, u := range list {
		if u.From.Add(u.Lasted).After(to) {
			continue
		}
		g.all++
		joules, seconds = joules+u.SettledJ, seconds+u.Settled.Seconds()
		if u.Lasted < time.Minute {
			continue
		}
		g.long++
		if u.BlownDown == 0 {
			g.kept++
			continue
		}
		g.blown++
		blown = append(blown, u.BlownDown.Seconds())
		if u.Settled >= 30*time.Second {
			g.restful++
			residual = append(residual, u.EndPa)
		}
	}
	g.blownS, g.residualPa, g.settled = median(blown), median(residual), joules/seconds
	return g
}

// TestUnloadsAgainstTruth holds settled power, blow-down time and residual
// pressure to what the simulator's sump and motor truly did, by the sump pressure
// and by the power curve alone, and prints them side by side.
func TestUnloadsAgainstTruth(t *testing.T) {
	if testing.Short() {
		t.Skip("records simulated days; not under -short")
	}
	for _, c := range []struct {
		scenario string
		finding  string // what must be said; empty: nothing of the machine
	}{
		{"joinery", ""}, {"short-cycling", ""}, {"variable-displacement", ""},
		{"failed-blow-down", "blow-down valve, then the minimum-pressure valve"},
		{"stuck-inlet-valve", ""},
	} {
		t.Run(c.scenario, func(t *testing.T) {
			sc, err := simulator.LoadScenario(c.scenario)
			if err != nil {
				t.Fatal(err)
			}
			after, length := shiftDay(c.scenario)
			s, err := stage.Open(t.TempDir(), stage.Options{Scenario: c.scenario, WarmUp: time.Hour, Length: length,
				Start: simulator.BenchStart(sc.Location).Add(after)})
			if err != nil {
				t.Fatal(err)
			}
			if err := s.Record(t.Context(), "test"); err != nil {
				t.Fatal(err)
			}
			for _, how := range []string{"sump", "power"} {
				if how == "power" {
					delete(s.Site.Machines[0].Roles, scan.SumpPressure)
				}
				a, err := agent.Open(s.Site, agent.Options{Version: "test", Log: slog.New(slog.DiscardHandler)})
				if err != nil {
					t.Fatal(err)
				}
				checkUnloads(t, a, s, how, c.finding)
				checkCurves(t, a, s, c.scenario)
				if err := a.Close(); err != nil {
					t.Fatal(err)
				}
			}
		})
	}
}

func checkUnloads(t *testing.T, a *agent.Agent, s *stage.Stage, how, finding string) {
	t.Helper()
	machine := s.Site.Machines[0].Name
	from, to := s.From, s.To.Add(-2*time.Second)
	report, err := a.History.Figures(from.UnixMilli(), to.UnixMilli(), machine)
	if err != nil {
		t.Fatal(err)
	}
	figures := map[string]analysis.Figure{}
	for _, f := range report.Machines[0].Figures {
		figures[f.Name] = f
	}
	truth := unloadsTruly(t, s, machine, from, to)
	t.Logf("by %s: %d unloads, of a minute and more %d blew down and %d did not", how, truth.all, truth.blown, truth.kept)
	for _, row := range []struct {
		name  string
		truly float64
		least float64 // what may be off at least
	}{
		{"power_unloaded_settled", truth.settled / 1000, 0.15},
		{"blowdown_time", truth.blownS, 0},
		{"sump_pressure_residual", truth.residualPa / 1000, 0},
	} {
		f := figures[row.name]
		if f.Value == nil {
			t.Logf("  %-24s absent (%s), truly %.4g", row.name, f.Absent, row.truly)
			if truth.restful > 2 && (how == "sump" || row.name != "sump_pressure_residual") {
				t.Errorf("%s is absent (%s), truly %.4g", row.name, f.Absent, row.truly)
			}
			continue
		}
		t.Logf("  %-24s %.4g ± %.2g %s, truly %.4g (%s)", row.name, *f.Value, *f.Uncertainty, f.Unit, row.truly, f.Denominator)
		if !(math.Abs(*f.Value-row.truly) <= math.Max(*f.Uncertainty, row.least)) {
			t.Errorf("%s: %.4g ± %.2g, truly %.4g", row.name, *f.Value, *f.Uncertainty, row.truly)
		}
	}
	said := ""
	for _, r := range report.Machines[0].Remarks {
		t.Logf("  %s: %s %q", r.Kind, r.Sentence, r.Evidence)
		if r.Kind == "blow_down" {
			said += r.Sentence
		}
	}
	if finding == "" && said != "" || !strings.Contains(said, finding) {
		t.Errorf("said of the machine %q, want %q", said, finding)
	}
	for _, tb := range report.Machines[0].Tables {
		if tb.Name != "unloads" {
			continue
		}
		for _, r := range tb.Rows {
			line := r.Name
			for _, v := range r.Values {
				line += "\t" + display.Cell(v, &tb.Columns[0], 0)
			}
			t.Log(line)
		}
	}
}

// checkCurves holds the overlaid curves to the true unloads: as many in the same
// order, each begun within two poll periods, and the sump come down as far.
func checkCurves(t *testing.T, a *agent.Agent, s *stage.Stage, scenario string) {
	t.Helper()
	machine := s.Site.Machines[0].Name
	from, to := s.From, s.To.Add(-2*time.Second)
	got, err := a.History.Unloads(machine, analysis.UnloadQuery{FromMS: from.UnixMilli(), ToMS: to.UnixMilli(), Limit: 5000, Seconds: 600, Points: 1000})
	if err != nil {
		t.Fatal(err)
	}
	truth, err := s.World.Truth().Unloads(machine, from, to)
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("%d unloads laid over one another, truly %d: %q", got.Total, len(truth), got.Sentences)
	if scenario == "stuck-inlet-valve" {
		return // its load signal shows the command
	}
	if len(got.Unloads) != len(truth) {
		t.Fatalf("%d unloads, truly %d", len(got.Unloads), len(truth))
	}
	for i, u := range got.Unloads {
		start, err := time.Parse(time.RFC3339, u.Start)
		if err != nil {
			t.Fatal(err)
		}
		if late := start.Sub(truth[i].From); late < 0 || late > 2*time.Second {
			t.Errorf("unload %d begins %v late", i, late)
		}
		if len(u.Sump) == 0 || truth[i].Lasted < 20*time.Second || truth[i].EndPa > truth[i].StartPa/2 {
			continue // a sump that does not blow down may rise again
		}
		// The last second before it loads again may lie between two readings: the
		// sump falls by no more than 12 kPa in it.
		least := math.Inf(1)
		for _, p := range u.Sump {
			if p[0] >= 0 { // before it lies the load, and what was before a short one
				least = min(least, p[1])
			}
		}
		if math.Abs(least-truth[i].EndPa/1000) > 15 {
			t.Errorf("unload %d came down to %.1f kPa, truly %.1f", i, least, truth[i].EndPa/1000)
		}
	}
}
