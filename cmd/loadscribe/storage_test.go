package main

import (
	"errors"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"loadscribe/agent/analysis"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
	"loadscribe/cmd/loadscribe/stage"
	"loadscribe/simulator"
)

// unstored is a source of nothing: all pieces are the folder's. It keeps no scans,
// so windows must begin and end between cells.
type unstored struct{}

var errNoScans = errors.New("the record in memory keeps no scans: the window cuts a cell")

func (unstored) Pieces(string, int64, int64) ([]store.Piece, error)  { return nil, nil }
func (unstored) Scans(store.ScanQuery, func(*scan.Scan) error) error { return errNoScans }

// foldedStage plays a scenario into a folder.
func foldedStage(t *testing.T, o stage.Options) (*stage.Stage, analysis.Source) {
	t.Helper()
	s, err := stage.Open(t.TempDir(), o)
	if err != nil {
		t.Fatal(err)
	}
	f := analysis.NewFolder(s.Site, sitefile.Groups(s.Site))
	seq := uint64(0)
	if err := s.Play(t.Context(), nil, func(batch []scan.Scan) error {
		for i := range batch {
			seq++
			batch[i].Seq = seq
			f.Step(&batch[i])
		}
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	return s, analysis.WithPending(unstored{}, f)
}

// trueDelay is the truth's delivery delay: the medians of the time to the first
// air, and of the time that the missing air takes at full flow.
func trueDelay(t *testing.T, s *stage.Stage, machine string) (first, missing float64, loads int) {
	t.Helper()
	list, err := s.World.Truth().DeliveryDelays(machine, s.From, s.To)
	if err != nil {
		t.Fatal(err)
	}
	var firsts, missings []float64
	for _, d := range list {
		if d.Lasted {
			firsts, missings = append(firsts, d.First.Seconds()), append(missings, d.Missing.Seconds())
		}
	}
	if len(firsts) == 0 {
		return math.NaN(), math.NaN(), 0
	}
	slices.Sort(firsts)
	slices.Sort(missings)
	return firsts[len(firsts)/2], missings[len(missings)/2], len(firsts)
}

// TestStorageAgainstTruth holds the delivery delay and volume over flow to what the
// simulator's sump, screw and vessels truly did, and prints them side by side. A
// delay counts by the air that is missing. Where demand changes too much, loads are
// too short or another machine follows the pressure, to say so is right.
func TestStorageAgainstTruth(t *testing.T) {
	if testing.Short() {
		t.Skip("plays simulated days; not under -short")
	}
	for _, c := range []struct {
		scenario string
		absent   string // empty: it can be told
	}{
		{"joinery", ""}, {"coarse-registers", ""}, {"growing-leaks", ""}, {"biased-sensors", ""}, {"heatless-dryer", ""},
		{"short-cycling", "long enough"}, {"storage-starved", "demand changes too much"}, {"three-shifts", "follows the pressure"},
		{"variable-displacement", "holds the pressure"}, {"no-load-bit", "demand is not the same on both sides"},
	} {
		t.Run(c.scenario, func(t *testing.T) {
			sc, err := simulator.LoadScenario(c.scenario)
			if err != nil {
				t.Fatal(err)
			}
			s, src := foldedStage(t, stage.Options{Scenario: c.scenario, WarmUp: time.Hour, Length: 24 * time.Hour, Start: simulator.BenchStart(sc.Location)})
			report, err := analysis.Compute(src, s.Site, s.From.UnixMilli(), s.To.UnixMilli(), s.To.UnixMilli(), "")
			if err != nil {
				t.Fatal(err)
			}
			var flow, volume float64
			for _, p := range s.Site.Systems[0].Parts {
				volume += p.VolumeM3
			}
			said := ""
			for i := range s.Site.Machines {
				name := s.Site.Machines[i].Name
				q, err := s.World.Truth().TrueFlowM3S(name)
				if err != nil {
					t.Fatal(err)
				}
				flow += q
				first, missing, loads := trueDelay(t, s, name)
				f := figureNamed(t, report.Machines[i].Figures, "delivery_delay")
				said += f.Absent
				t.Logf("%s: first air after %.2f s, missing air of %.2f s (medians of %d loads)", name, first, missing, loads)
				holdTo(t, f, missing, c.absent != "")
			}
			f := figureNamed(t, report.Systems[0].Figures, "volume_per_flow")
			holdTo(t, f, volume/flow, c.absent != "")
			if c.absent != "" && !strings.Contains(said+f.Absent, c.absent) {
				t.Errorf("the reasons %q do not say %q", said+f.Absent, c.absent)
			}
			v := figureNamed(t, report.Systems[0].Figures, "effective_volume")
			holdTo(t, v, volume, false)
			for _, f := range report.Systems[0].Findings {
				if strings.Contains(f.Sentence, "behaves as") {
					t.Errorf("a sound plant's volume is contradicted: %s", f.Sentence)
				}
			}
		})
	}
}

// holdTo prints a figure beside the truth and fails where that lies outside of its
// uncertainty.
func holdTo(t *testing.T, f analysis.Figure, truly float64, absent bool) {
	t.Helper()
	switch {
	case f.Value == nil && absent:
		t.Logf("  %-16s absent, truly %.2f: %s", f.Name, truly, f.Absent)
	case f.Value == nil:
		t.Errorf("  %-16s absent, truly %.2f: %s", f.Name, truly, f.Absent)
	case absent:
		t.Errorf("  %-16s %.2f ± %.2f %s, truly %.2f: want it absent", f.Name, *f.Value, *f.Uncertainty, f.Unit, truly)
	case !(math.Abs(*f.Value-truly) <= *f.Uncertainty):
		t.Errorf("  %-16s %.2f ± %.2f %s, truly %.2f (%s)", f.Name, *f.Value, *f.Uncertainty, f.Unit, truly, f.Method)
	default:
		t.Logf("  %-16s %.2f ± %.2f %s, truly %.2f", f.Name, *f.Value, *f.Uncertainty, f.Unit, truly)
	}
}

func figureNamed(t *testing.T, all []analysis.Figure, name string) analysis.Figure {
	t.Helper()
	for _, f := range all {
		if f.Name == name {
			return f
		}
	}
	t.Fatalf("no figure %s", name)
	return analysis.Figure{}
}
