package store

import (
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"loadscribe/agent/scan"
)

func TestClockStepsBeginSegments(t *testing.T) {
	type at struct{ mono, wall int64 } // after the start; one scan of the meter each
	tests := []struct {
		name     string
		scans    []at
		segments []string // why, beside the start
		events   int
	}{
		{"steady", []at{{0, 0}, {1000, 1000}, {2000, 2000}}, nil, 0},
		{"slewing", []at{{0, 0}, {1000, 1400}, {2000, 2800}, {3000, 4200}}, nil, 0},
		{"forward", []at{{0, 0}, {1000, 1000}, {2000, 3_602_000}}, []string{"clock step"}, 1},
		{"back", []at{{0, 0}, {1000, 1000}, {2000, -7_200_000}, {3000, -7_199_000}}, []string{"clock step"}, 1},
		{"there and back", []at{{0, 0}, {1000, 2000}, {2000, 2000}}, []string{"clock step", "clock step"}, 2},
		{"from 1970", []at{{0, -startMS}, {1000, 1000 - startMS}, {2000, 2000}}, []string{"clock step"}, 1},
		{"monotonic time back", []at{{5000, 5000}, {4000, 4000}}, []string{"time went back"}, 1},
		{"suspended", []at{{0, 0}, {1000, 28_801_000}}, []string{"clock step"}, 1},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			dir := t.TempDir()
			s := openTest(t, dir, Options{})
			g := register(t, s, testGroups())[2]
			var all []scan.Scan
			for i, a := range tt.scans {
				all = append(all, scan.Scan{Group: g, MonoMS: 1000 + a.mono, WallMS: startMS + a.wall, Values: []int64{int64(i), 0}})
			}
			all = appendAll(t, s, all)
			var why []string
			for _, seg := range s.Segments()[1:] {
				why = append(why, seg.Why)
				if seg.FirstSeq == 0 {
					t.Errorf("segment %d has no first scan", seg.Number)
				}
			}
			if strings.Join(why, ",") != strings.Join(tt.segments, ",") {
				t.Errorf("segments %q, want %q", why, tt.segments)
			}
			events, err := s.Events(0, 0, 0)
			n := 0
			for _, e := range events {
				if e.Kind == "clock_step" {
					n++
				}
			}
			if err != nil || n != tt.events {
				t.Errorf("%d clock_step events (%v), want %d", n, err, tt.events)
			}
			wantScans(t, readAll(t, s, ScanQuery{}), all)
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
			again := openTest(t, dir, Options{})
			wantScans(t, readAll(t, again, ScanQuery{}), all)
		})
	}
}

// Two lines hand over their scans a little out of order; that is no step.
func TestLateScanOfAnotherLineIsNoStep(t *testing.T) {
	s := openTest(t, t.TempDir(), Options{})
	g := register(t, s, testGroups())
	at := func(g *scan.Group, ms int64) scan.Scan {
		return scan.Scan{Group: g, MonoMS: 1000 + ms, WallMS: startMS + ms, Values: make([]int64, len(g.Channels))}
	}
	all := appendAll(t, s, []scan.Scan{
		at(g[2], hourMS-1000), at(g[0], hourMS-900), at(g[2], hourMS+10), at(g[0], hourMS-20), at(g[2], hourMS+1010)})
	if n := len(s.Segments()); n != 1 {
		t.Errorf("%d segments, want 1", n)
	}
	if err := s.seal(); err != nil {
		t.Fatal(err)
	}
	wantScans(t, readAll(t, s, ScanQuery{}), all)
	// the late scan is in the next hour's block and is still found by its time
	wantScans(t, readAll(t, s, ScanQuery{FromMS: startMS + hourMS - 50, ToMS: startMS + hourMS}), all[3:4])
	if st := s.Stats(); st.Blocks != 4 {
		t.Errorf("%d blocks, want 4: two devices, two hours", st.Blocks)
	}
}

func TestRegisterVersions(t *testing.T) {
	dir := t.TempDir()
	s := openTest(t, dir, Options{})
	groups := register(t, s, testGroups())
	appendAll(t, s, stream(groups, 1, startMS, hoursAndABit))
	same := register(t, s, testGroups())
	for i := range groups {
		if same[i] != groups[i] {
			t.Errorf("group %d: the same layout got ID %d, had %d", i, same[i].ID, groups[i].ID)
		}
	}
	before, err := s.Series("controller.pressure", startMS, startMS+2*hourMS, 20)
	if err != nil {
		t.Fatal(err)
	}

	fixed := testGroups()
	fixed[0].Channels[0].Scale, fixed[0].Channels[0].Offset = 0.2, 1
	put := register(t, s, fixed)
	if put[0].ID != groups[0].ID || put[0].Channels[0].Scale != 0.2 {
		t.Errorf("a new scale gave ID %d (was %d) and scale %g", put[0].ID, groups[0].ID, put[0].Channels[0].Scale)
	}
	moved := testGroups()
	moved[0].Channels[0].Name = "other"
	other := register(t, s, moved)
	if other[0].ID == groups[0].ID || other[1].ID != groups[1].ID {
		t.Errorf("a new layout got IDs %d and %d", other[0].ID, other[1].ID)
	}
	events, err := s.Events(0, 0, 0)
	if err != nil {
		t.Fatal(err)
	}
	var texts []string
	for _, e := range events {
		if e.Kind == "config_changed" {
			texts = append(texts, e.Text)
		}
	}
	if len(texts) != 5 || !strings.Contains(texts[3], "scale of pressure is 0.2, was 0.1") {
		t.Errorf("config_changed events: %q", texts)
	}
	check := func(s *Store) {
		t.Helper()
		after, err := s.Series("controller.pressure", startMS, startMS+2*hourMS, 20)
		if err != nil || len(after.Cells) != len(before.Cells) {
			t.Fatalf("%d cells, want %d: %v", len(after.Cells), len(before.Cells), err)
		}
		for i, c := range after.Cells {
			if b := before.Cells[i]; c.Count != b.Count || c.Count > 0 && math.Abs(c.Max-(b.Max*2+1)) > 1e-9 {
				t.Fatalf("cell %d: %+v, was %+v before the scale was put right", i, c, b)
			}
		}
		for _, sc := range readAll(t, s, ScanQuery{Devices: []string{"controller"}})[:3] {
			if sc.Group.ID == groups[0].ID && sc.Group.Channels[0].Scale != 0.2 {
				t.Errorf("an old scan is read with scale %g", sc.Group.Channels[0].Scale)
			}
		}
	}
	check(s)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	again := openTest(t, dir, Options{})
	check(again)
	if n := len(again.Groups()); n != 4 {
		t.Errorf("%d groups, want 4", n)
	}
	for _, bad := range []*scan.Group{
		{Device: "", PeriodMS: 1, Channels: make([]scan.Channel, 1)},
		{Device: "a", PeriodMS: 0, Channels: make([]scan.Channel, 1)},
		{Device: "a", PeriodMS: 1},
		{Device: "a", PeriodMS: 1, Channels: []scan.Channel{{Name: "x"}}},
		{Device: "a", PeriodMS: 1, Channels: []scan.Channel{intChannel("a", "x"), intChannel("a", "x")}},
	} {
		if _, err := again.Register([]*scan.Group{bad}); err == nil {
			t.Errorf("group %+v was accepted", bad)
		}
	}
}

const hoursAndABit = 3600 + 900

// Old readings in another unit are converted; those that do not convert are
// left out.
func TestSeriesOverAChangeOfUnit(t *testing.T) {
	s := openTest(t, t.TempDir(), Options{})
	mk := func(unit string, kind scan.Kind) *scan.Group {
		return &scan.Group{Device: "d", Name: "1s", PeriodMS: 1000,
			Channels: []scan.Channel{{Name: "p", Kind: kind, Scale: 1, Unit: unit}}}
	}
	clock := s.o.Clock.(*testClock)
	for i, g := range []*scan.Group{mk("V", scan.KindFloat32), mk("bar", scan.KindInt), mk("kPa", scan.KindUint)} {
		clock.wall++ // the order of metadata
		reg := register(t, s, []*scan.Group{g})[0]
		wall := startMS + int64(i)*1000
		appendAll(t, s, []scan.Scan{{Group: reg, WallMS: wall, MonoMS: wall - startMS + 1, Values: []int64{7}}})
	}
	got, err := s.Series("d.p", startMS, startMS+10_000, 100)
	if err != nil || got.Unit != "kPa" || len(got.Cells) != 2 {
		t.Fatalf("%d cells in %s: %v", len(got.Cells), got.Unit, err)
	}
	if d := got.Cells[0].First - 700; d > 1e-9 || d < -1e-9 || got.Cells[1].First != 7 { // 1 bar = 100 kPa, by definition
		t.Errorf("values %v and %v kPa, want 700 and 7", got.Cells[0].First, got.Cells[1].First)
	}
}

func TestSecondOpenIsRefused(t *testing.T) {
	dir := t.TempDir()
	s := openTest(t, dir, Options{})
	register(t, s, testGroups())
	begin := time.Now()
	if _, err := Open(dir, Options{}); !errors.Is(err, ErrLocked) || !strings.Contains(err.Error(), dir) {
		t.Errorf("second Open: %v, want ErrLocked that names the file", err)
	} else if !strings.Contains(err.Error(), fmt.Sprintf("process %d", os.Getpid())) {
		t.Errorf("second Open: %v, want the process that has it named", err)
	}
	if _, err := OpenReadOnly(dir, Options{}); !errors.Is(err, ErrLocked) {
		t.Errorf("OpenReadOnly beside a writer: %v, want ErrLocked", err)
	}
	if took := time.Since(begin); took > 3*time.Second {
		t.Errorf("refusals took %v", took)
	}
	if _, err := OpenReadOnly(t.TempDir(), Options{}); !errors.Is(err, ErrNoStore) {
		t.Errorf("OpenReadOnly of nothing: %v, want ErrNoStore", err)
	}
}

// A stopped store is read without changing a byte, sealed and tail.
func TestReadOnlyOfAStoppedStore(t *testing.T) {
	dir := t.TempDir()
	s, err := Open(dir, Options{SyncEvery: never, Clock: newTestClock()})
	if err != nil {
		t.Fatal(err)
	}
	g := register(t, s, testGroups())
	all := appendAll(t, s, stream(g, 9, startMS, hoursAndABit))
	if _, err := s.AppendEvent(Event{Kind: "note", Text: "belt changed"}); err != nil {
		t.Fatal(err)
	}
	if err := s.Sync(); err != nil {
		t.Fatal(err)
	}
	abandonStore(t, s)
	before := snapshotDir(t, dir)
	ro, err := OpenReadOnly(dir, Options{})
	if err != nil {
		t.Fatal(err)
	}
	wantScans(t, readAll(t, ro, ScanQuery{}), all)
	if ro.LastSeq() != all[len(all)-1].Seq || ro.DurableSeq() != ro.LastSeq() || ro.SealedSeq() == 0 {
		t.Errorf("last %d, durable %d, sealed %d", ro.LastSeq(), ro.DurableSeq(), ro.SealedSeq())
	}
	events, err := ro.Events(0, 0, 1)
	if err != nil || len(events) != 1 || events[0].Text != "belt changed" {
		t.Errorf("events %+v, %v", events, err)
	}
	if series, err := ro.Series("meter.amps", startMS, startMS+2*hourMS, 10); err != nil || len(series.Cells) == 0 {
		t.Errorf("series: %d cells, %v", len(series.Cells), err)
	}
	if err := ro.Append(nil); !errors.Is(err, ErrReadOnly) {
		t.Errorf("Append: %v", err)
	}
	if _, err := ro.Register(nil); !errors.Is(err, ErrReadOnly) {
		t.Errorf("Register: %v", err)
	}
	if _, err := ro.AppendEvent(Event{}); !errors.Is(err, ErrReadOnly) {
		t.Errorf("AppendEvent: %v", err)
	}
	if err := ro.Close(); err != nil {
		t.Fatal(err)
	}
	if after := snapshotDir(t, dir); after != before {
		t.Error("reading changed the directory")
	}
}

func snapshotDir(t *testing.T, dir string) string {
	t.Helper()
	var all strings.Builder
	err := filepath.WalkDir(dir, func(path string, d os.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		b, err := os.ReadFile(path)
		all.WriteString(path)
		all.Write(b)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return all.String()
}
