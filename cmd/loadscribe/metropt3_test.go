package main

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"loadscribe/agent/analysis"
	"loadscribe/agent/intake"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
)

// The recorded data are the first 1000 rows of MetroPT-3 (Davari, Veloso,
// Ribeiro, Gama; UCI data set 791, CC BY 4.0): the air production unit of a
// metro train, one row in 9 or 10 s. They lie beside the repository, not in it, and
// are read where they are: without them the test is skipped, with all peers too.
const recordedData = "../../../shared/vectors"

func recorded(t *testing.T, name string) string {
	t.Helper()
	path := filepath.Join(recordedData, name)
	if _, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) {
		t.Skipf("%s is not here: the recorded data lie beside the repository, not in it", path)
	}
	return path
}

// expectations reads metropt3_expected.csv: quantity, expected, unit, tolerance.
func expectations(t *testing.T) map[string]string {
	t.Helper()
	f, err := os.Open(recorded(t, "metropt3_expected.csv"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	all := map[string]string{}
	for _, r := range rows[1:] {
		all[r[0]] = r[1]
	}
	return all
}

// metroSite is the example site of the recorded unit, with the intake valve's
// signal, which is 0 while the compressor takes air in, or without.
func metroSite(t *testing.T, valve bool) *sitefile.Site {
	t.Helper()
	site, err := sitefile.Load(filepath.Join("..", "..", "configs", "recorded-unit.toml"), sitefile.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if !valve {
		delete(site.Machines[0].Roles, scan.Loaded)
	}
	return site
}

// metroIntake opens the excerpt by the example mapping.
func metroIntake(t *testing.T, site *sitefile.Site) *intake.Intake {
	t.Helper()
	m, err := intake.ReadMapping(filepath.Join("..", "..", "configs", "imports", "recorded-unit.toml"))
	if err != nil {
		t.Fatal(err)
	}
	files, err := m.FilesOf([]string{recorded(t, "metropt3_excerpt.csv")})
	if err != nil {
		t.Fatal(err)
	}
	in, err := intake.Open(site, m, files)
	if err != nil {
		t.Fatal(err)
	}
	report, err := in.Check(t.Context(), nil)
	if err != nil {
		t.Fatal(err)
	}
	if l := report.Loggers[0]; l.Rows != 1000 || l.Scans != 1000 || l.NoValue+l.Implausible+l.Repeated+l.Backward != 0 || l.Groups[0].StepMS != 10_000 {
		t.Errorf("the check found %+v", l)
	}
	return in
}

// metroRecord puts the excerpt into a real store, learns the levels from it
// and folds anew with them, as the agent does.
func metroRecord(t *testing.T, site *sitefile.Site) (src analysis.Source, fromMS, toMS int64, scans []scan.Scan) {
	t.Helper()
	groups := sitefile.Groups(site)
	folder := analysis.NewFolder(site, groups)
	s, err := store.Open(t.TempDir(), store.Options{Summariser: folder})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	in := metroIntake(t, site)
	if groups, err = s.Register(in.Groups()); err != nil {
		t.Fatal(err)
	}
	err = in.Scans(t.Context(), groups, func(sc *scan.Scan) error {
		scans = append(scans, sc.Clone())
		return s.Append([]scan.Scan{*sc})
	})
	if err != nil {
		t.Fatal(err)
	}
	fromMS, toMS = scans[0].WallMS, scans[len(scans)-1].WallMS+1
	src = analysis.WithPending(s, folder)
	learnt, err := analysis.Learn(src, site, "unit", fromMS, toMS)
	if err != nil {
		t.Fatal(err)
	}
	if learnt.Missing != "" {
		t.Fatalf("levels are not learnt: %s", learnt.Missing)
	}
	t.Logf("levels: %+v, run %+v, load %+v, modes %+v", learnt.Levels, *learnt.Levels.Run, *learnt.Levels.Load, learnt.Modes)
	if _, err := s.AppendEvent(learnt.Levels.Event("unit", "learnt")); err != nil {
		t.Fatal(err)
	}
	next := analysis.NewFolder(site, groups)
	if err := s.Calibrate(next); err != nil {
		t.Fatal(err)
	}
	if err := s.Refold(t.Context(), next, func() { folder.TakeOver(next) }); err != nil {
		t.Fatal(err)
	}
	return src, fromMS, toMS, scans
}

// TestRecordedUnit analyses the recorded data from current alone and with the
// valve's signal, and holds them to what was counted from the rows themselves.
func TestRecordedUnit(t *testing.T) {
	want := expectations(t)
	number := func(name string) float64 {
		v, err := strconv.ParseFloat(want[name], 64)
		if err != nil {
			t.Fatalf("%s in metropt3_expected.csv: %v", name, err)
		}
		return v
	}
	for _, valve := range []bool{false, true} {
		name, events := "current alone", "load_events_by_current"
		if valve {
			name, events = "valve signal", "load_events_by_COMP_falling"
		}
		t.Run(name, func(t *testing.T) {
			site := metroSite(t, valve)
			src, from, to, scans := metroRecord(t, site)
			if float64(len(scans)) != number("rows") {
				t.Errorf("%d rows, want %v", len(scans), number("rows"))
			}
			report, err := analysis.Compute(src, site, from, to, to, "")
			if err != nil {
				t.Fatal(err)
			}
			figures := map[string]analysis.Figure{}
			for _, f := range report.Machines[0].Figures {
				figures[f.Name] = f
			}
			value := func(name string) float64 {
				f := figures[name]
				if f.Value == nil {
					t.Errorf("%s is absent: %s", name, f.Absent)
					return math.NaN()
				}
				return *f.Value
			}
			near := func(name string, want, within float64) {
				if got := value(name); !(math.Abs(got-want) <= within) {
					t.Errorf("%s = %v, want %v ± %v; %s", name, got, want, within, figures[name].Method)
				}
			}
			starts := number("motor_starts")
			near("observed_time", number("span_s"), 0)
			near("starts", starts, 0)
			near("load_cycles", number(events), 0)
			near("starts_per_hour_mean", number("starts_per_hour"), 1e-6)
			// One step, 10 s, for each transition: a start is followed by a load,
			// an unload and a stop. The row in which the machine starts counts as
			// starting, not as loaded or unloaded.
			near("stopped_time", number("time_off_s_hold_last"), 10*2*starts)
			near("unloaded_time", number("time_idle_s_hold_last"), 10*2*starts)
			near("loaded_time", number("time_loaded_s_hold_last"), 10*2*starts)
			near("pressure_min", number("reservoir_min_bar")*100, 1e-9) // kPa
			near("pressure_max", number("reservoir_max_bar")*100, 1e-9)
			checkMetroRuns(t, src, site, from, to, want["load_interval_s"], valve)
			checkDecay(t, src, number("decay_slope_00:31:53_to_00:57:09"))
		})
	}
}

// checkMetroRuns holds the starts to the intervals counted, and the row of
// 00:23:08, in which the current is still rising, to be a start and no idling.
func checkMetroRuns(t *testing.T, src analysis.Source, site *sitefile.Site, from, to int64, intervals string, valve bool) {
	t.Helper()
	runs, err := analysis.StateRuns(src, site, "unit", from, to)
	if err != nil {
		t.Fatal(err)
	}
	var began []int64
	running := false
	for _, r := range runs {
		if now := r.State.Running(); now && !running {
			began = append(began, r.FromMS)
			running = true
		} else if !now {
			running = false
		}
	}
	var got []string
	for i := 1; i < len(began); i++ {
		got = append(got, fmt.Sprint((began[i]-began[i-1])/1000))
	}
	// The list counts from the first loaded row; the first start has a row before it.
	first, rest, _ := strings.Cut(intervals, ";")
	if d, err := strconv.Atoi(first); err != nil || len(got) == 0 || got[0] != fmt.Sprint(d+9) && got[0] != first {
		t.Errorf("the first two starts lie %v s apart, want %s or a row more", got, first)
	}
	if strings.Join(got[1:], ";") != rest {
		t.Errorf("starts lie %v s apart, want %s", got, intervals)
	}
	ramp := time.Date(2020, 2, 1, 0, 23, 8, 0, time.UTC).UnixMilli()
	for _, r := range runs {
		// With the valve's signal it is known to be loaded from that row on.
		if r.FromMS <= ramp && ramp < r.ToMS && (r.FromMS != ramp || r.State != analysis.Starting && !(valve && r.State == analysis.Loaded)) {
			t.Errorf("the row of 00:23:08 counts as %s since %v, want a start", r.State, time.UnixMilli(r.FromMS).UTC())
		}
	}
}

// checkDecay fits the fall of pressure while the machine stood, as counted
// from the rows: least squares over 00:31:53-00:57:09.
func checkDecay(t *testing.T, src analysis.Source, want float64) {
	t.Helper()
	day := time.Date(2020, 2, 1, 0, 0, 0, 0, time.UTC)
	a, b := day.Add(31*time.Minute+53*time.Second), day.Add(57*time.Minute+9*time.Second+time.Millisecond)
	var n, sx, sy, sxx, sxy float64
	err := src.Scans(store.ScanQuery{FromMS: a.UnixMilli(), ToMS: b.UnixMilli()}, func(s *scan.Scan) error {
		i := s.Group.Index("reservoir")
		raw, ok := s.Get(i)
		if !ok {
			return nil
		}
		x, y := float64(s.WallMS-a.UnixMilli())/60_000, s.Group.Channels[i].Value(raw)
		n, sx, sy, sxx, sxy = n+1, sx+x, sy+y, sxx+x*x, sxy+x*y
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if got := (n*sxy - sx*sy) / (n*sxx - sx*sx); n != 154 || math.Abs(got-want) > 1e-6 {
		t.Errorf("pressure falls by %.6f bar/min over %v rows, want %.6f over 154", got, n, want)
	}
}
