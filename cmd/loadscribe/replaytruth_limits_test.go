package main

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"loadscribe/agent/replay"
	"loadscribe/agent/sitefile"
	"loadscribe/cmd/loadscribe/airtruth"
	"loadscribe/cmd/loadscribe/replaytruth"
)

// TestReplayVariableSpeed: what a drive saves grows with falling load, in truth and
// replayed, within what the curves allow; at a steady full load it saves nothing or
// loses (the drive's own loss, common practice). That it may save up to about 40 %
// is said in the trade (common practice, no source): the curves decide.
func TestReplayVariableSpeed(t *testing.T) {
	if testing.Short() {
		t.Skip("records simulated hours; not under -short")
	}
	t.Parallel()
	pairs, shares := replaytruth.SpeedPairs()
	all := playPairs(t, pairs, replaytruth.Window{After: 8 * time.Hour, Length: 5 * time.Hour})
	if len(all) != len(pairs) {
		t.Fatalf("%d of %d pairs came to an end", len(all), len(pairs))
	}
	saved := map[string][2]float64{}
	for _, p := range all {
		pairSaysEnough(t, p)
		if p.Result.SavedShare.Value == nil || p.Result.SavedShare.Interval == nil {
			t.Fatalf("%s: no share saved: %s", p.Pair.Name, p.Result.Absent)
		}
		value, half := *p.Result.SavedShare.Value, *p.Result.SavedShare.Interval
		truth := 1 - p.Changed.EnergyKWh/p.Present.EnergyKWh
		t.Logf("%s: saves %.1f ± %.1f %%, truly %.1f %%, at most %.1f %%", p.Pair.Name, 100*value, 100*half, 100*truth, 100*p.MostSaved()/p.Present.EnergyKWh)
		saved[p.Pair.Name] = [2]float64{value, truth}
		if p.Pair.Name == pairs[0].Name && (value-half > 0 || truth > 0) {
			t.Errorf("%s: a drive is said to save %.1f %% at full load, truly %.1f %%", p.Pair.Name, 100*value, 100*truth)
		}
	}
	for i := 1; i < len(shares); i++ {
		before, now := saved[pairs[i-1].Name], saved[pairs[i].Name]
		if now[0] <= before[0] || now[1] <= before[1] {
			t.Errorf("at %.0f %% of the flow %.1f %% is saved (truly %.1f %%), at %.0f %% %.1f %% (truly %.1f %%): less load must save more",
				100*shares[i], 100*now[0], 100*now[1], 100*shares[i-1], 100*before[0], 100*before[1])
		}
	}
}

// TestReplayBeyondCapacity: a machine that cannot give what is asked is short of air
// and lets the pressure fall, and the answer says so, loudly and in minutes and m³.
func TestReplayBeyondCapacity(t *testing.T) {
	if testing.Short() {
		t.Skip("records simulated hours; not under -short")
	}
	t.Parallel()
	played, err := replaytruth.TooSmall().Play(t.Context(), t.TempDir(), replaytruth.Window{After: 6 * time.Hour, Length: 5 * time.Hour}, replay.Run)
	if err != nil {
		t.Fatal(err)
	}
	o := played.Result.Outcome
	t.Logf("short by %.0f m³ in %.0f min, lowest %.0f kPa, truly below the minimum for %s; %s", *o.ShortM3, o.ShortS/60, *o.LowestPa.Value/1e3, played.Changed.Low, strings.Join(played.Result.Remarks, "; "))
	if *o.ShortM3 <= 0 || o.ShortS < played.Changed.Low.Seconds()/2 || played.Changed.Low < time.Hour {
		t.Errorf("short for %.0f s; truly below the minimum for %s", o.ShortS, played.Changed.Low)
	}
	minimum := played.Present.MinimumPa
	if *o.LowestPa.Value > minimum-50e3 {
		t.Errorf("the pressure falls to %.0f kPa only; the users need %.0f kPa", *o.LowestPa.Value/1e3, minimum/1e3)
	}
	if want := fmt.Sprintf("%.1f h", o.ShortS/3600); !strings.Contains(strings.Join(played.Result.Remarks, "\n"), want) {
		t.Errorf("no remark names the %s without enough air: %q", want, played.Result.Remarks)
	}
}

// TestReplayWithoutFlow: without a rated flow and a meter nothing is replayed, and the
// answer says what to give.
func TestReplayWithoutFlow(t *testing.T) {
	if testing.Short() {
		t.Skip("records simulated hours; not under -short")
	}
	run := airtruth.Run{Scenario: "joinery", After: 8 * time.Hour, Length: time.Hour, Site: func(s *sitefile.Site) { s.Machines[0].RatedFlowM3S = 0 }}
	p, err := run.Play(t.Context(), t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	answer, err := replay.Run(t.Context(), p.Source, p.Site, replay.Query{System: p.Site.Systems[0].Name, FromMS: p.From.UnixMilli(),
		ToMS: p.To.UnixMilli(), NowMS: p.To.UnixMilli()})
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(answer.Absent, "rated_flow") {
		t.Errorf("absent: %q; want it to name rated_flow", answer.Absent)
	}
}
