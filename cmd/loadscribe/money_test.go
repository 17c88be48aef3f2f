package main

import (
	"context"
	"fmt"
	"maps"
	"math"
	"os"
	"slices"
	"testing"
	"time"

	"loadscribe/agent/analysis"
	"loadscribe/agent/hookup"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
	"loadscribe/cmd/loadscribe/stage"
)

// played is a record in memory, with events.
type played struct {
	scans  []scan.Scan
	events []store.Event
}

func (p *played) Pieces(string, int64, int64) ([]store.Piece, error) { return nil, nil }

func (p *played) EventsWhere(_, _ int64, _ int, wanted func(*store.Event) bool) ([]store.Event, error) {
	return slices.DeleteFunc(slices.Clone(p.events), func(e store.Event) bool { return !wanted(&e) }), nil
}

func (p *played) Scans(q store.ScanQuery, fn func(*scan.Scan) error) error {
	for i := range p.scans {
		s := &p.scans[i]
		if s.Seq < q.FromSeq || s.WallMS < q.FromMS || q.ToMS > 0 && s.WallMS >= q.ToMS || len(q.Devices) > 0 && !slices.Contains(q.Devices, s.Group.Device) {
			continue
		}
		if err := fn(s); err != nil {
			return err
		}
	}
	return nil
}

// last is a channel's last good value before a moment, in the map's unit.
func (p *played) last(t *testing.T, id string, before int64) float64 {
	t.Helper()
	device, name, _ := scan.SplitID(id)
	for i := len(p.scans) - 1; i >= 0; i-- {
		s := &p.scans[i]
		if s.WallMS >= before || s.Group.Device != device {
			continue
		}
		if k := s.Group.Index(name); k >= 0 {
			if raw, ok := s.Get(k); ok {
				c := &s.Group.Channels[k]
				if c.Kind == scan.KindFloat32 {
					return float64(math.Float32frombits(uint32(raw)))*c.Scale + c.Offset
				}
				return float64(raw)*c.Scale + c.Offset
			}
		}
	}
	t.Fatalf("no %s before %d", id, before)
	return 0
}

// spot is the calibration that a person with a clamp meter would have left: the
// readings at the end of the longest loaded and the longest unloaded run.
func (p *played) spot(t *testing.T, runs []analysis.Run) store.Event {
	t.Helper()
	points := map[analysis.State]analysis.Point{}
	for _, state := range []analysis.State{analysis.Loaded, analysis.Unloaded} {
		var longest analysis.Run
		for _, r := range runs {
			if r.State == state && r.ToMS-r.FromMS > longest.ToMS-longest.FromMS {
				longest = r
			}
		}
		w := 1000 * p.last(t, "meter.power", longest.ToMS-2000)
		points[state] = analysis.Point{CurrentA: p.last(t, "controller.motor_current", longest.ToMS-2000), PowerW: w,
			UCurrentA: 0.1, UPowerW: w * 0.02 / math.Sqrt(3)}
	}
	data, text, err := hookup.Calibration(points[analysis.Unloaded], points[analysis.Loaded], "logged motor_current")
	if err != nil {
		t.Fatal(err)
	}
	return store.Event{Kind: "calibration", Subject: "comp1", Text: text, Data: data}
}

// TestEnergySourcesAgainstTruth takes a simulated day's energy from each of the
// sources in turn, as though the site had no better, and holds it against what
// the machine truly used. The simulator's power factor follows from a reactive
// power that the analysis knows nothing of. Goals of the work: a meter within
// 0.2 % (its own gain is exact here), current with two spot readings within 5 %,
// without them only inside the interval. LOADSCRIBE_LONG adds plants of other
// seeds.
func TestEnergySourcesAgainstTruth(t *testing.T) {
	if testing.Short() {
		t.Skip("plays a simulated day; not under -short")
	}
	t.Parallel() // behind the tests of real time, which it would disturb
	seeds := []uint64{0}
	if os.Getenv("LOADSCRIBE_LONG") != "" {
		seeds = append(seeds, 5, 11, 23)
	}
	for _, seed := range seeds {
		t.Run(fmt.Sprintf("seed %d", seed), func(t *testing.T) { energySources(t, seed) })
	}
}

func energySources(t *testing.T, seed uint64) {
	st, err := stage.Open(t.TempDir(), stage.Options{Scenario: "joinery", Seed: seed, Length: 24 * time.Hour})
	if err != nil {
		t.Fatal(err)
	}
	record := &played{}
	err = st.Play(context.Background(), nil, func(scans []scan.Scan) error {
		for _, s := range scans {
			s.Seq = uint64(len(record.scans) + 1)
			s.Values, s.Quality = slices.Clone(s.Values), slices.Clone(s.Quality)
			record.scans = append(record.scans, s)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	from, to := st.From.UnixMilli(), st.To.UnixMilli()
	truth, err := st.World.Truth().Totals("comp1", st.From, st.To)
	if err != nil {
		t.Fatal(err)
	}
	folded := func(site *sitefile.Site) analysis.Source {
		f := analysis.NewFolder(site, sitefile.Groups(site))
		for i := range record.scans {
			f.Step(&record.scans[i])
		}
		return analysis.WithPending(record, f)
	}
	runs, err := analysis.StateRuns(folded(st.Site), st.Site, "comp1", from, to)
	if err != nil {
		t.Fatal(err)
	}
	spot := record.spot(t, runs)
	meters := []scan.Role{scan.Energy, scan.Power, scan.ApparentPower, scan.PowerFactor}
	for _, c := range []struct {
		name    string
		without []scan.Role
		events  []store.Event
		within  float64 // share of the truth; 0: the interval alone
	}{
		{"counter and power", nil, nil, 0.002},
		{"power", meters[:1], nil, 0.002},
		{"counter", meters[1:], nil, 0.002},
		{"apparent power and power factor", meters[:2], nil, 0.02},
		{"volts, amperes and power factor", meters[:3], nil, 0.06}, // the motor's current alone: no fan, no controls
		{"current with spot readings", meters, []store.Event{spot}, 0.05},
		{"current", meters, nil, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			site := *st.Site
			site.Machines = slices.Clone(site.Machines)
			site.Machines[0].Roles = maps.Clone(site.Machines[0].Roles)
			for _, r := range c.without {
				delete(site.Machines[0].Roles, r)
			}
			record.events = c.events
			rep, err := analysis.Compute(folded(&site), &site, from, to, to, "")
			if err != nil {
				t.Fatal(err)
			}
			i := slices.IndexFunc(rep.Machines[0].Figures, func(f analysis.Figure) bool { return f.Name == "energy" })
			f := rep.Machines[0].Figures[i]
			if f.Value == nil {
				t.Fatal(f.Absent)
			}
			off := *f.Value*3.6e6/truth.EnergyJ - 1
			t.Logf("%.2f ± %.2f kWh, %+.2f %% off the truth: %s", *f.Value, *f.Uncertainty, 100*off, f.Method)
			if c.within > 0 && math.Abs(off) > c.within {
				t.Errorf("%+.2f %% off the truth, want %.1f %%", 100*off, 100*c.within)
			}
			if math.Abs(off*truth.EnergyJ/3.6e6) > *f.Uncertainty {
				t.Errorf("%.2f ± %.2f kWh does not hold the truth, %.2f", *f.Value, *f.Uncertainty, truth.EnergyJ/3.6e6)
			}
		})
	}
}
