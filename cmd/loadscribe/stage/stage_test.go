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
