package guided_test

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"loadscribe/agent/analysis"
	"loadscribe/agent/guided"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/cmd/loadscribe/stage"
	"loadscribe/simulator"
)

// doing is what the fold's state means to a test.
var doing = map[analysis.State]guided.Doing{analysis.Off: guided.Resting, analysis.Standby: guided.Resting, analysis.Stopped: guided.Resting,
	analysis.Starting: guided.Starting, analysis.Unloaded: guided.Unloaded, analysis.Loaded: guided.Loaded,
	analysis.PartLoad: guided.PartLoad, analysis.Tripped: guided.Tripped}

// play feeds a test with a simulated plant, second by second through the decoder
// and the fold that live lines use, until it is over or the time has run out.
func play(t *testing.T, o stage.Options, ask guided.Ask, each func(guided.Report)) (*guided.Session, *stage.Stage) {
	t.Helper()
	st, err := stage.Open(t.TempDir(), o)
	if err != nil {
		t.Fatal(err)
	}
	groups := sitefile.Groups(st.Site)
	folder := analysis.NewFolder(st.Site, groups)
	plan, err := guided.NewPlan(st.Site, groups, ask)
	if err != nil {
		t.Fatal(err)
	}
	s := guided.New(plan)
	seq := uint64(0)
	err = st.Play(context.Background(), groups, func(batch []scan.Scan) error {
		for i := range batch {
			seq++
			batch[i].Seq, batch[i].Segment = seq, 1
			folder.Step(&batch[i])
			if batch[i].Group != plan.Source.Group {
				continue
			}
			r := guided.Reading{MonoMS: batch[i].MonoMS, WallMS: batch[i].WallMS}
			var reason scan.Reason
			r.PressurePa, reason = plan.Source.Pressure(&batch[i])
			r.Good, r.Reason = reason == scan.Good, reason.String()
			for _, name := range plan.Machines {
				live, _ := folder.Live(name, r.MonoMS, r.WallMS)
				r.Doing = append(r.Doing, doing[live.State])
			}
			s.Observe(r)
			if each != nil {
				each(s.Report())
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return s, st
}

// at is a time of the scenarios' own week.
func at(t *testing.T, text string) time.Time {
	t.Helper()
	where, err := time.LoadLocation("America/Chicago")
	if err != nil {
		t.Fatal(err)
	}
	when, err := time.ParseInLocation("2006-01-02 15:04", text, where)
	if err != nil {
		t.Fatal(err)
	}
	return when
}

// fullFlow is the true flow of a machine, loaded, while the receiver is near a
// pressure: what the screw takes in.
func fullFlow(t *testing.T, st *stage.Stage, machine string, from, to time.Time) float64 {
	t.Helper()
	sum, n := 0.0, 0
	for m := from; m.Before(to); m = m.Add(10 * time.Second) {
		got, err := st.World.Truth().Totals(machine, m, m.Add(10*time.Second))
		if err != nil {
			t.Fatal(err)
		}
		if got.States[simulator.Loaded] == 10*time.Second {
			sum, n = sum+got.InletM3/10, n+1
		}
	}
	if n == 0 {
		t.Fatal("the machine did not load")
	}
	return sum / float64(n)
}

// A pump-up test of the simulated shop, each seed another true flow: the result
// holds it within its uncertainty, which is half of the nameplate's.
func TestPumpUpFindsTheTrueFlow(t *testing.T) {
	if testing.Short() {
		t.Skip("one goroutine, and slow under the race detector; not under -short")
	}
	for _, seed := range []uint64{61, 62, 63} {
		phases := map[guided.Phase]int{}
		s, st := play(t, stage.Options{Scenario: "pump-up-test", Seed: seed, Start: at(t, "2026-03-07 08:55"), Length: 50 * time.Minute, WarmUp: time.Hour},
			guided.Ask{Test: guided.PumpUp, Who: "R. Vale", Confirmed: true}, func(r guided.Report) { phases[r.Phase]++ })
		r, ok := s.Result()
		if !ok {
			t.Fatalf("seed %d: no result: %+v", seed, s.Report())
		}
		want := fullFlow(t, st, "comp1", at(t, "2026-03-07 09:05"), at(t, "2026-03-07 09:10"))
		t.Logf("seed %d: %.5f ± %.5f m³/s, true %.5f: %s", seed, r.Flow.V, 2*r.Flow.U(), want, r.Method)
		if math.Abs(r.Flow.V-want) > 2*r.Flow.U() {
			t.Errorf("seed %d: %.5f ± %.5f m³/s, true %.5f", seed, r.Flow.V, 2*r.Flow.U(), want)
		}
		if share := 2 * r.Flow.U() / r.Flow.V; share > 0.055 { // what narrower.go promises: ±5.4 %
			t.Errorf("seed %d: ± %.1f %%: wider than the budget says", seed, 100*share)
		}
		for _, p := range []guided.Phase{guided.Lower, guided.Rise, guided.Hold, guided.Done} {
			if phases[p] == 0 {
				t.Errorf("seed %d: the phase %s was never shown", seed, p)
			}
		}
	}
}

// The leak test on a night of growing leaks: the share of loaded time and the
// flow of the falls both hold the truth.
func TestLeakTestFindsTheLeak(t *testing.T) {
	if testing.Short() {
		t.Skip("one goroutine, and slow under the race detector; not under -short")
	}
	for _, times := range []float64{1, 3} {
		night := fmt.Sprintf("%g times the leak", times)
		s, st := play(t, stage.Options{Scenario: "growing-leaks", Start: at(t, "2026-03-03 20:00"), Length: 4 * time.Hour, WarmUp: 48 * time.Hour,
			Edit: func(sc *simulator.Scenario) { sc.Leak.FlowM3S *= times }},
			guided.Ask{Test: guided.Leak, Who: "R. Vale", Confirmed: true}, nil)
		r, ok := s.Result()
		if !ok {
			t.Fatalf("%s: no result: %+v", night, s.Report())
		}
		report := s.Report()
		from, to := time.UnixMilli(report.StartedMS), time.UnixMilli(report.NowMS)
		leak := st.World.Truth().Plant(from, to).LeakedM3 / to.Sub(from).Seconds()
		flow := fullFlow(t, st, "comp1", from, to)
		t.Logf("%s: share %.4f ± %.4f, true %.4f; %.5f ± %.5f m³/s, true %.5f; %s", night, r.Share.V, 2*r.Share.U(), leak/flow, r.Flow.V, 2*r.Flow.U(), leak, r.Text)
		if math.Abs(r.Share.V-leak/flow) > 2*r.Share.U() {
			t.Errorf("%s: share %.4f ± %.4f, true %.4f", night, r.Share.V, 2*r.Share.U(), leak/flow)
		}
		if math.Abs(r.Flow.V-leak) > 2*r.Flow.U() {
			t.Errorf("%s: flow %.5f ± %.5f, true %.5f", night, r.Flow.V, 2*r.Flow.U(), leak)
		}
	}
}

// With people at work neither test gives a number.
func TestNoResultWhileAirIsUsed(t *testing.T) {
	if testing.Short() {
		t.Skip("one goroutine, and slow under the race detector; not under -short")
	}
	for _, test := range []string{guided.Leak, guided.PumpUp} {
		s, _ := play(t, stage.Options{Scenario: "joinery", Start: at(t, "2026-03-03 10:00"), Length: time.Hour, WarmUp: time.Hour},
			guided.Ask{Test: test, Who: "R. Vale", Confirmed: true}, nil)
		r, ok := s.Result()
		if ok && test == guided.PumpUp {
			t.Errorf("a result with the plant open: %s", r.Text)
		}
		if ok && r.Share.U() < 0.02*r.Share.V {
			t.Errorf("a leak test while people work is sure of itself: %s", r.Text)
		}
		if report := s.Report(); report.Detail == "" && !strings.Contains(report.Why, "rise") && !ok {
			t.Errorf("%s: nobody is told why: %+v", test, report)
		}
	}
}

// Monte Carlo over what a test cannot see: a gauge that is off within its data
// sheet (1 % of span at both ends), a volume that is off within 3 %. At least 95 %
// of the stated intervals hold the true flow (here 40 of 40 do: what the simulator does not vary, water and temperature, is in them too).
func TestPumpUpCoversWhatItCannotSee(t *testing.T) {
	if testing.Short() {
		t.Skip("one goroutine, and slow under the race detector; not under -short")
	}
	rng := rand.New(rand.NewPCG(11, 7))
	const runs = 40
	held := 0
	worst := 0.0
	for i := range runs {
		seed := uint64(100 + i)
		low, high := 2*rng.Float64()-1, 2*rng.Float64()-1 // of the limit, at the ends of the span
		edit := func(sc *simulator.Scenario) {
			const spanPa = 250 * 6894.757
			sc.Devices[0].Bias.PressurePa = low * 0.01 * spanPa
			sc.Devices[0].Bias.PressureShare = (high - low) * 0.01
		}
		ask := guided.Ask{Test: guided.PumpUp, Who: "R. Vale", Confirmed: true, Rises: 3,
			VolumeM3: 660 * gallonM3 * (1 + 0.03*(2*rng.Float64()-1)), VolumeShare: 0.03}
		s, st := play(t, stage.Options{Scenario: "pump-up-test", Seed: seed, Start: at(t, "2026-03-07 08:55"), Length: 50 * time.Minute, WarmUp: time.Hour, Edit: edit}, ask, nil)
		r, ok := s.Result()
		if !ok {
			t.Fatalf("seed %d: no result: %+v", seed, s.Report())
		}
		off := (r.Flow.V - fullFlow(t, st, "comp1", at(t, "2026-03-07 09:07"), at(t, "2026-03-07 09:09"))) / (2 * r.Flow.U())
		worst = max(worst, math.Abs(off))
		if math.Abs(off) <= 1 {
			held++
		}
	}
	t.Logf("%d of %d intervals hold the truth; the farthest is off by %.2f of its half width", held, runs, worst)
	if float64(held) < 0.95*runs {
		t.Errorf("%d of %d intervals hold the truth, at least 95 %% should", held, runs)
	}
}

// gallonM3 is 231 cubic inches.
const gallonM3 = 231 * 0.0254 * 0.0254 * 0.0254
