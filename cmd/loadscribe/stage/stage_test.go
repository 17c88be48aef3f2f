package stage

import (
	"log/slog"
	"path/filepath"
	"testing"
	"time"

	"loadscribe/agent"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/simulator"
)

// TestEveryScenarioHasASite writes the site of each built-in scenario and loads
// it: no mistake, no warning, and each machine's nameplate as the scenario has it.
func TestEveryScenarioHasASite(t *testing.T) {
	for _, name := range simulator.Scenarios() {
		s, err := Open(filepath.Join(t.TempDir(), name), Options{Scenario: name, WarmUp: time.Second})
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		for _, w := range s.Site.Warnings {
			t.Errorf("%s: %v", name, w)
		}
		sc := s.World.Scenario()
		for i, m := range s.Site.Machines {
			want := sc.Machines[i]
			if m.Name != want.Name || string(m.Control) != want.Control || !near(m.RatedFlowM3S, want.RatedFlowM3S) ||
				!near(m.RatedPowerW, want.RatedPowerW) || !near(m.CutInPa, want.CutInPa) || m.NoLoadStop != want.NoLoadStop {
				t.Errorf("%s: machine %+v, want %+v", name, m, want)
			}
		}
		if len(s.Site.Devices) != len(sc.Devices) || len(s.Site.Systems[0].Parts) != len(sc.Parts) || len(s.Site.Shifts) != len(sc.Shifts) {
			t.Errorf("%s: devices, parts or shifts are missing", name)
		}
	}
}

func near(a, b float64) bool { return a-b < 1e-5*b && b-a < 1e-5*b }

// TestRecordReachesTheStore records three hours and finds each poll in the
// store, once, with the times of its grid.
func TestRecordReachesTheStore(t *testing.T) {
	begin := time.Date(2026, time.March, 3, 14, 0, 0, 0, time.UTC)
	s, err := Open(t.TempDir(), Options{Scenario: "joinery", Start: begin, WarmUp: time.Hour, Length: 3 * time.Hour})
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Record(t.Context(), "test"); err != nil {
		t.Fatal(err)
	}
	h, err := agent.OpenHistory(s.Site, "test", slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	defer h.Close()
	found := map[string]int{}
	good := 0
	err = h.Scans(0, s.To.UnixMilli(), nil, func(sc *scan.Scan) error {
		key := sc.Group.Device + " " + sc.Group.Name
		if want := begin.UnixMilli() + int64(found[key])*sc.Group.PeriodMS; sc.WallMS != want {
			t.Fatalf("%s: scan %d at %d, want %d", key, found[key], sc.WallMS, want)
		}
		found[key]++
		if sc.Reason == scan.Good {
			good++
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	total := 0
	for _, g := range sitefile.Groups(s.Site) {
		key := g.Device + " " + g.Name
		if want := int(3 * time.Hour.Milliseconds() / g.PeriodMS); found[key] != want {
			t.Errorf("%s: %d scans, want %d", key, found[key], want)
		}
		total += found[key]
	}
	if good != total {
		t.Errorf("%d of %d scans are good", good, total)
	}
	if _, to := s.World.Truth().Span(); to.Before(s.To.Add(-time.Second)) {
		t.Errorf("the truth ends at %v, the record at %v", to, s.To)
	}
}

// TestEveryScenarioAnswers plays a Monday morning of each scenario: each poll
// of each group finds every channel of its map, good, and within its valid
// range.
func TestEveryScenarioAnswers(t *testing.T) {
	for _, name := range simulator.Scenarios() {
		s, err := Open(t.TempDir(), Options{Scenario: name, WarmUp: time.Hour, Length: 20 * time.Minute,
			Start: time.Date(2026, time.March, 2, 14, 0, 0, 0, time.UTC)})
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		scans := map[string]int{}
		err = s.Play(t.Context(), nil, func(batch []scan.Scan) error {
			for i := range batch {
				sc := &batch[i]
				scans[sc.Group.Device]++
				for k, q := range sc.Quality {
					if q != scan.Good {
						t.Errorf("%s: %s at %v: %v", name, sc.Group.Channels[k].ID(), time.UnixMilli(sc.WallMS), q)
					}
				}
				if sc.Reason != scan.Good {
					t.Fatalf("%s: %s %s at %v: %v", name, sc.Group.Device, sc.Group.Name, time.UnixMilli(sc.WallMS), sc.Reason)
				}
			}
			return nil
		})
		if err != nil {
			t.Errorf("%s: %v", name, err)
		}
		for _, d := range s.Site.Devices {
			if want := int(20 * time.Minute / d.Every); scans[d.Name] < want {
				t.Errorf("%s: %d scans of %s, want %d at least", name, scans[d.Name], d.Name, want)
			}
		}
	}
}

// TestWhatTheRecordMisses records a power failure and a jump of the clock: the
// failure is gaps with the reason timeout, from every device, until eight
// seconds after; the jump is in the stamps and an event, and costs no scan.
func TestWhatTheRecordMisses(t *testing.T) {
	record := func(scenario string, start time.Time, length time.Duration) *agent.History {
		s, err := Open(t.TempDir(), Options{Scenario: scenario, Start: start, WarmUp: time.Hour, Length: length})
		if err != nil {
			t.Fatal(err)
		}
		if err := s.Record(t.Context(), "test"); err != nil {
			t.Fatal(err)
		}
		h, err := agent.OpenHistory(s.Site, "test", slog.New(slog.DiscardHandler))
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { h.Close() })
		return h
	}
	chicago, err := time.LoadLocation("America/Chicago")
	if err != nil {
		t.Fatal(err)
	}
	begin := time.Date(2026, time.March, 2, 9, 10, 0, 0, chicago)
	fails := begin.Add(2 * time.Minute)
	h := record("power-failures", begin, 5*time.Minute)
	gaps := 0
	err = h.Scans(0, begin.Add(time.Hour).UnixMilli(), nil, func(sc *scan.Scan) error {
		at := time.UnixMilli(sc.WallMS)
		dark := !at.Before(fails) && at.Before(fails.Add(48*time.Second))
		if dark != (sc.Reason == scan.Timeout) || !dark && sc.Reason != scan.Good {
			t.Errorf("%s at %v: %v, without a supply: %v", sc.Group.Device, at, sc.Reason, dark)
		}
		if dark {
			gaps++
		}
		return nil
	})
	if err != nil || gaps < 96 {
		t.Errorf("%d gaps (%v), want 48 of each device at least", gaps, err)
	}

	begin = time.Date(2026, time.March, 3, 13, 58, 0, 0, chicago)
	h = record("clock-jumps", begin, 4*time.Minute)
	var last *scan.Scan
	back, scans := int64(0), 0
	err = h.Scans(0, begin.Add(time.Hour).UnixMilli(), []string{"controller"}, func(sc *scan.Scan) error {
		if sc.Group.PeriodMS != 1000 {
			return nil
		}
		if last != nil {
			if sc.MonoMS-last.MonoMS != 1000 {
				t.Errorf("a scan is missing before %d ms", sc.MonoMS)
			}
			if step := sc.WallMS - last.WallMS - 1000; step != 0 {
				back = step
			}
		}
		kept := *sc
		last = &kept
		scans++
		return nil
	})
	if err != nil || back != -95_000 || scans != 240 {
		t.Errorf("the clock went by %d ms within %d scans (%v), want -95000 and 240", back, scans, err)
	}
	events, err := h.Events(agent.EventQuery{Kinds: []string{"clock_step"}, Limit: 100})
	if err != nil {
		t.Fatal(err)
	}
	steps := 0
	for _, e := range events.Events {
		if e.Kind == "clock_step" && e.Data["step_ms"] == "-95000" {
			steps++
		}
	}
	if steps != 1 {
		t.Errorf("%d events of the clock's step, want 1", steps)
	}
}
