package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"math"
	"os"
	"path/filepath"
	"testing"
	"time"

	"loadscribe/agent/analysis"
	"loadscribe/cmd/loadscribe/demo"
	"loadscribe/simulator"
)

// weekEnd is a Friday, half past twelve in Chicago; the week holds the Sunday of
// 23 hours on which daylight saving begins.
var weekEnd = time.Date(2026, time.March, 13, 17, 30, 0, 0, time.UTC)

// fillWeek records a simulated week the way the demo does and returns what was
// found beside what happened.
func fillWeek(t *testing.T, seed uint64) (shop *demo.Shop, site string) {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "shop")
	shop, err := demo.Open(demo.Options{Dir: dir, Listen: "127.0.0.1:0", Now: func() time.Time { return weekEnd }, Seed: seed})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(shop.Close)
	if err := shop.Fill(t.Context(), "test", slog.New(slog.DiscardHandler), func(float64, string) {}); err != nil {
		t.Fatal(err)
	}
	return shop, filepath.Join(dir, "site.toml")
}

// summarised asks the summary command, as a user would.
func summarised(t *testing.T, site, from, to string) map[string]analysis.Figure {
	t.Helper()
	var out, errs bytes.Buffer
	if code := execute(t.Context(), []string{"summary", "--site", site, "--from", from, "--to", to, "--machine", "comp1", "--json"}, &out, &errs); code != exitFine {
		t.Fatalf("summary ended with %d: %s", code, errs.String())
	}
	var report analysis.Report
	if err := json.NewDecoder(io.Reader(&out)).Decode(&report); err != nil {
		t.Fatal(err)
	}
	all := map[string]analysis.Figure{}
	for _, f := range report.Machines[0].Figures {
		all[f.Name] = f
	}
	return all
}

// TestWeekAgainstTruth holds a week's figures against what the simulator knows
// to have happened, for several plants where LOADSCRIBE_LONG is set. The
// simulator shares no code with the analysis.
func TestWeekAgainstTruth(t *testing.T) {
	if testing.Short() {
		t.Skip("records simulated weeks; not under -short")
	}
	t.Parallel() // behind the tests of real time, which it would disturb
	seeds := []uint64{0}
	if os.Getenv("LOADSCRIBE_LONG") != "" {
		seeds = append(seeds, 7)
	}
	for _, seed := range seeds {
		t.Run(fmt.Sprintf("seed %d", seed), func(t *testing.T) {
			shop, site := fillWeek(t, seed)
			from, to := shop.History(), weekEnd.Add(-2*time.Second)
			truth, err := shop.Truth().Totals("comp1", from, to)
			if err != nil {
				t.Fatal(err)
			}
			figures := summarised(t, site, from.Format(time.RFC3339), to.Format(time.RFC3339))
			value := func(name string) float64 {
				f, ok := figures[name]
				if !ok || f.Value == nil {
					t.Fatalf("%s is absent: %s", name, f.Absent)
				}
				return *f.Value
			}
			exact := func(name string, want int) {
				if got := value(name); got != float64(want) {
					t.Errorf("%s: got %v, truly %d", name, got, want)
				}
			}
			exact("starts", truth.Starts)
			exact("load_cycles", truth.LoadCycles)
			checkStates(t, shop.Truth(), from, to, truth, value)
			if got := value("energy") * 3.6e6; !(math.Abs(got-truth.EnergyJ) <= 0.002*truth.EnergyJ) {
				t.Errorf("energy: got %.1f kWh, truly %.1f kWh: more than 0.2 %% off", got/3.6e6, truth.EnergyJ/3.6e6)
			}
			air := figures["air_delivered"]
			if air.Value == nil || math.Abs(*air.Value-truth.DeliveredM3) > *air.Uncertainty {
				t.Errorf("air_delivered: got %.0f ± %.0f m³, truly %.0f m³", *air.Value, *air.Uncertainty, truth.DeliveredM3)
			}
			checkSchedule(t, shop.Truth(), from, to, value)
			checkScheduleStates(t, site)
			checkTurns(t, shop.Truth(), site, from, to)
			t.Logf("duty %.4f ± %.4f, %v starts, %v load cycles, %.1f kWh, air %.0f ± %.0f (truly %.0f) m³",
				value("duty_cycle"), *figures["duty_cycle"].Uncertainty, value("starts"), value("load_cycles"), value("energy"),
				*air.Value, *air.Uncertainty, truth.DeliveredM3)
		})
	}
}

// checkStates allows each state one poll period for each transition into or
// out of it.
func checkStates(t *testing.T, truth *simulator.Truth, from, to time.Time, totals simulator.Totals, value func(string) float64) {
	t.Helper()
	transitions, err := truth.Transitions("comp1", from, to)
	if err != nil {
		t.Fatal(err)
	}
	state, err := truth.StateAt("comp1", from)
	if err != nil {
		t.Fatal(err)
	}
	edges := map[simulator.State]int{}
	for _, tr := range transitions {
		edges[state]++
		edges[tr.State]++
		state = tr.State
	}
	const periodS = 1
	for name, s := range map[string]simulator.State{"off_time": simulator.Off, "standby_time": simulator.Standby,
		"unloaded_time": simulator.Unloaded, "loaded_time": simulator.Loaded} {
		got, want := value(name), totals.States[s].Seconds()
		if off := math.Abs(got - want); off > periodS*float64(edges[s]+1) {
			t.Errorf("%s: got %.1f s, truly %.1f s: off by %.1f s with %d transitions", name, got, want, off, edges[s])
		}
	}
	if got, want := value("running_time"), totals.Running().Seconds(); math.Abs(got-want) > 2*periodS*float64(totals.Starts+1) {
		t.Errorf("running_time: got %.1f s, truly %.1f s", got, want)
	}
}

// checkScheduleStates asks the agent's own record of a Tuesday: off until the
// scheduled start at 06:55 and from the scheduled stop at 16:05 on (common
// practice, no source), to one poll period.
func checkScheduleStates(t *testing.T, site string) {
	t.Helper()
	for _, c := range []struct {
		from, to string
		offS     float64
	}{
		{"2026-03-10T06:50:00-05:00", "2026-03-10T07:00:00-05:00", 300},
		{"2026-03-10T16:00:00-05:00", "2026-03-10T16:10:00-05:00", 300},
	} {
		off := summarised(t, site, c.from, c.to)["off_time"]
		if off.Value == nil || math.Abs(*off.Value-c.offS) > 2 {
			t.Errorf("off_time from %s to %s: got %+v, want %v s", c.from, c.to, off, c.offS)
		}
	}
}

// checkSchedule holds energy_off_shift to the true energy outside the shift of
// 07:00-16:00: the machine is started at 06:55 and stopped at 16:05 by its
// schedule (common practice, no source).
func checkSchedule(t *testing.T, truth *simulator.Truth, from, to time.Time, value func(string) float64) {
	t.Helper()
	chicago, err := time.LoadLocation("America/Chicago")
	if err != nil {
		t.Fatal(err)
	}
	energy := func(a, b time.Time) float64 {
		if a.Before(from) {
			a = from
		}
		if b.After(to) {
			b = to
		}
		if !a.Before(b) {
			return 0
		}
		totals, err := truth.Totals("comp1", a, b)
		if err != nil {
			t.Fatal(err)
		}
		return totals.EnergyJ
	}
	inShift := 0.0
	day := from.In(chicago)
	for day = time.Date(day.Year(), day.Month(), day.Day(), 0, 0, 0, 0, chicago); day.Before(to); day = day.AddDate(0, 0, 1) {
		if d := day.Weekday(); d == time.Saturday || d == time.Sunday {
			continue
		}
		begin := time.Date(day.Year(), day.Month(), day.Day(), 7, 0, 0, 0, chicago)
		inShift += energy(begin, begin.Add(9*time.Hour))
		early := begin.Add(-5 * time.Minute)
		if early.After(from) && early.Before(to) {
			if s, err := truth.StateAt("comp1", early.Add(time.Minute)); err != nil || !s.Running() {
				t.Errorf("%s: the machine is %v a minute after its scheduled start (%v)", early, s, err)
			}
		}
	}
	want := energy(from, to) - inShift
	// The counter shows whole watt hours, and each of the two edges of five
	// shifts may be one period late at full power (37 kW for 1 s is 10 Wh).
	if got := value("energy_off_shift") * 3.6e6; math.Abs(got-want) > 0.005*want+10*(36e3+3600) {
		t.Errorf("energy_off_shift: got %.3f kWh, truly %.3f kWh", got/3.6e6, want/3.6e6)
	}
}
