package store

import (
	"errors"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"go.uber.org/goleak"

	"loadscribe/agent/scan"
)

func TestMain(m *testing.M) {
	if dir := os.Getenv(childEnv); dir != "" {
		childMain(dir)
		return
	}
	if dir := os.Getenv(importEnv); dir != "" {
		importMain(dir)
		return
	}
	goleak.VerifyTestMain(m)
}

// testClock is set by hand.
type testClock struct{ mono, wall int64 }

func (c *testClock) Now() (int64, int64) { return c.mono, c.wall }

// startMS is the first moment of test data: 2026-03-02 06:00 UTC, a Monday.
const startMS = int64(1772431200000)

func newTestClock() *testClock { return &testClock{mono: 1000, wall: startMS} }

// alone marks a test of one goroutine that takes long under the race detector, for
// which there is nothing in it: make race leaves it out.
func alone(t *testing.T) {
	t.Helper()
	if testing.Short() {
		t.Skip("one goroutine, and slow under the race detector; not under -short")
	}
}

// openTest opens a store that is closed and checked at the end of the test.
func openTest(t testing.TB, dir string, o Options) *Store {
	t.Helper()
	if o.Clock == nil {
		o.Clock = newTestClock()
	}
	s, err := Open(dir, o)
	if err != nil {
		t.Fatalf("Open: %v", err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Errorf("Close: %v", err)
		}
		checkIntegrity(t, dir)
	})
	return s
}

func intChannel(device, name string) scan.Channel {
	return scan.Channel{Device: device, Name: name, Kind: scan.KindInt, Scale: 0.1, Unit: "psi"}
}

// testGroups are two devices; the first has two groups and all kinds.
func testGroups() []*scan.Group {
	c := func(name string, k scan.Kind, unit string) scan.Channel {
		return scan.Channel{Device: "controller", Name: name, Kind: k, Scale: 0.1, Unit: unit}
	}
	bit := scan.Channel{Device: "controller", Name: "loaded", Kind: scan.KindInt, Bit: true, Scale: 1, Unit: "1", Role: scan.Loaded}
	return []*scan.Group{
		{Device: "controller", Name: "1s", PeriodMS: 1000, Channels: []scan.Channel{
			{Device: "controller", Name: "pressure", Kind: scan.KindInt, Scale: 0.1, Unit: "psi", Role: scan.DischargePressure},
			bit, c("hours", scan.KindUint, "1"), c("flow", scan.KindFloat32, "1"), c("heat", scan.KindFloat64, "1"), c("text", scan.KindDecimal, "1")}},
		{Device: "controller", Name: "15s", PeriodMS: 15000, Channels: []scan.Channel{intChannel("controller", "oil")}},
		{Device: "meter", Name: "1s", PeriodMS: 1000, Channels: []scan.Channel{
			{Device: "meter", Name: "power", Kind: scan.KindInt, Scale: -0.5, Offset: 3, Unit: "kW", Role: scan.Power}, intChannel("meter", "amps")}},
	}
}

func register(t testing.TB, s *Store, groups []*scan.Group) []*scan.Group {
	t.Helper()
	out, err := s.Register(groups)
	if err != nil {
		t.Fatalf("Register: %v", err)
	}
	return out
}

// stream makes plausible scans of groups, in arrival order, from wall time
// from for seconds seconds. mono is wall − startMS + 1000.
func stream(groups []*scan.Group, seed uint64, fromMS int64, seconds int) []scan.Scan {
	r := rand.New(rand.NewPCG(seed, 7))
	var out []scan.Scan
	for i := range seconds {
		for gi, g := range groups {
			if int64(i)*1000%g.PeriodMS != 0 {
				continue
			}
			wall := fromMS + int64(i)*1000 + int64(gi)*20 + r.Int64N(5)
			sc := scan.Scan{Group: g, WallMS: wall, MonoMS: wall - startMS + 1000, DurationMS: uint32(10 + r.IntN(4))}
			if i%907 > 895 { // an outage of some seconds now and then
				sc.Reason = scan.Timeout
				out = append(out, sc)
				continue
			}
			sc.Values = make([]int64, len(g.Channels))
			for c := range g.Channels {
				sc.Values[c] = plausible(r, g.Channels[c].Kind, i)
			}
			if i%61 == 13 {
				sc.Quality = make([]scan.Reason, len(g.Channels))
				sc.Quality[r.IntN(len(g.Channels))] = scan.Implausible
			}
			out = append(out, sc)
		}
	}
	return out
}

func plausible(r *rand.Rand, k scan.Kind, i int) int64 {
	level := 1000 + 80*math.Sin(float64(i)/40) + r.NormFloat64()
	switch k {
	case scan.KindUint:
		return int64(i / 360)
	case scan.KindFloat32:
		return int64(math.Float32bits(float32(level / 7)))
	case scan.KindFloat64:
		return int64(math.Float64bits(level / 11))
	case scan.KindDecimal:
		return int64(level)<<8 | 1
	}
	return int64(level)
}

func clones(in []scan.Scan) []scan.Scan {
	out := make([]scan.Scan, len(in))
	for i := range in {
		out[i] = in[i].Clone()
	}
	return out
}

func appendAll(t testing.TB, s *Store, scans []scan.Scan) []scan.Scan {
	t.Helper()
	kept := clones(scans)
	for len(scans) > 0 {
		n := min(7, len(scans))
		if err := s.Append(scans[:n]); err != nil {
			t.Fatalf("Append: %v", err)
		}
		for i := range n { // what Append set
			at := len(kept) - len(scans) + i
			kept[at].Seq, kept[at].Segment = scans[i].Seq, scans[i].Segment
		}
		scans = scans[n:]
	}
	return kept
}

func readAll(t testing.TB, s *Store, q ScanQuery) []scan.Scan {
	t.Helper()
	var out []scan.Scan
	err := s.Scans(q, func(sc *scan.Scan) error {
		out = append(out, sc.Clone())
		return nil
	})
	if err != nil {
		t.Fatalf("Scans: %v", err)
	}
	return out
}

// sameScan compares two scans bit by bit; groups by ID.
func sameScan(a, b *scan.Scan) bool {
	x, y := *a, *b
	x.Group, y.Group = nil, nil
	return a.Group.ID == b.Group.ID && reflect.DeepEqual(x, y)
}

func wantScans(t testing.TB, got, want []scan.Scan) {
	t.Helper()
	if len(got) != len(want) {
		t.Fatalf("got %d scans, want %d", len(got), len(want))
	}
	for i := range got {
		if !sameScan(&got[i], &want[i]) {
			t.Fatalf("scan %d: got %+v, want %+v", i, got[i], want[i])
		}
	}
}

func TestReadsBackSealedAndUnsealed(t *testing.T) {
	alone(t)
	dir := t.TempDir()
	s := openTest(t, dir, Options{})
	groups := register(t, s, testGroups())
	all := appendAll(t, s, stream(groups, 1, startMS, 3*3600+500))
	if s.SealedSeq() == 0 || s.SealedSeq() == s.LastSeq() {
		t.Fatalf("sealed %d of %d: want some of both", s.SealedSeq(), s.LastSeq())
	}
	wantScans(t, readAll(t, s, ScanQuery{}), all)

	from, to := startMS+3590_000, startMS+3*3600_000+100_000
	var window, meter, later []scan.Scan
	for i := range all {
		if all[i].WallMS >= from && all[i].WallMS < to {
			window = append(window, all[i])
		}
		if all[i].Group.Device == "meter" {
			meter = append(meter, all[i])
		}
		if all[i].Seq >= 9000 {
			later = append(later, all[i])
		}
	}
	wantScans(t, readAll(t, s, ScanQuery{FromMS: from, ToMS: to}), window)
	wantScans(t, readAll(t, s, ScanQuery{Devices: []string{"meter", "nobody"}}), meter)
	wantScans(t, readAll(t, s, ScanQuery{FromSeq: 9000}), later)

	stop := errors.New("enough")
	if err := s.Scans(ScanQuery{}, func(*scan.Scan) error { return stop }); !errors.Is(err, stop) {
		t.Errorf("Scans returned %v, want the callback's error", err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	names, err := os.ReadDir(filepath.Join(dir, journalDir))
	if err != nil || len(names) != 0 {
		t.Errorf("after Close the journal has %d files (%v), want none", len(names), err)
	}
	if err := s.Append(nil); !errors.Is(err, ErrClosed) {
		t.Errorf("Append after Close: %v, want ErrClosed", err)
	}
	if err := s.Scans(ScanQuery{}, func(*scan.Scan) error { return nil }); !errors.Is(err, ErrClosed) {
		t.Errorf("Scans after Close: %v, want ErrClosed", err)
	}

	again := openTest(t, dir, Options{})
	wantScans(t, readAll(t, again, ScanQuery{}), all)
	if n := len(again.Segments()); n != 2 {
		t.Errorf("%d segments after two starts, want 2", n)
	}
}

func TestAppendRefuses(t *testing.T) {
	s := openTest(t, t.TempDir(), Options{})
	g := register(t, s, testGroups())
	tests := []struct {
		name string
		scan scan.Scan
		want string
	}{
		{"no group", scan.Scan{}, "no group"},
		{"unregistered", scan.Scan{Group: &scan.Group{ID: 99, Device: "x"}}, "not registered"},
		{"too few values", scan.Scan{Group: g[0], Values: make([]int64, 2)}, "2 values"},
		{"quality without values", scan.Scan{Group: g[1], Reason: scan.Timeout, Quality: make([]scan.Reason, 1)}, "1 qualities"},
		{"no date", scan.Scan{Group: g[1], Values: make([]int64, 1), WallMS: math.MaxInt64}, "not a date"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			good := scan.Scan{Group: g[1], Values: []int64{1}, WallMS: startMS}
			err := s.Append([]scan.Scan{good, tt.scan})
			if err == nil || !strings.Contains(err.Error(), tt.want) {
				t.Errorf("Append: %v, want an error with %q", err, tt.want)
			}
			if s.LastSeq() != 0 {
				t.Errorf("part of the batch was taken")
			}
		})
	}
}

// A database that does not take a seal costs nothing: the hour waits in memory
// and journal and is sealed when it can be.
func TestFailedSealIsTriedAgain(t *testing.T) {
	dir := t.TempDir()
	s := openTest(t, dir, Options{SyncEvery: never, Summariser: &counter{}})
	g := register(t, s, testGroups())
	all := appendAll(t, s, stream(g, 1, startMS, 3590))
	if err := s.db.Close(); err != nil {
		t.Fatal(err)
	}
	all = append(all, appendAll(t, s, stream(g, 2, startMS+3590_000, 30))...)
	if s.SealedSeq() != 0 || s.Stats().SealError == "" {
		t.Fatalf("sealed %d, error %q: want a failed seal", s.SealedSeq(), s.Stats().SealError)
	}
	db, err := s.openDatabase(filepath.Join(dir, databaseName), false)
	if err != nil {
		t.Fatal(err)
	}
	s.db = db
	wantScans(t, readAll(t, s, ScanQuery{}), all)
	all = append(all, appendAll(t, s, stream(g, 3, startMS+3620_000, 3600))...)
	if s.SealedSeq() == 0 || s.Stats().SealError != "" {
		t.Errorf("sealed %d, error %q: want a seal that succeeded", s.SealedSeq(), s.Stats().SealError)
	}
	wantScans(t, readAll(t, s, ScanQuery{}), all)
	wantPieces(t, s, s.SealedSeq())
	state, seq, err := s.Summary()
	if err != nil || seq != s.SealedSeq() || len(state) != 8 {
		t.Errorf("summary up to %d with %d bytes, %v; sealed %d", seq, len(state), err, s.SealedSeq())
	}
}

// Events are bounded as scans are while the disk takes nothing, and go on when
// it does. What reading finds damaged meanwhile is told later.
func TestEventsAreBoundedWhileTheDiskTakesNothing(t *testing.T) {
	const backlog = 64 << 10
	fs := &faultFS{}
	s := openTest(t, t.TempDir(), Options{FS: fs, SyncEvery: never, BacklogBytes: backlog})
	fs.set("create", -1)
	fs.set("write", -1)
	event := Event{Kind: "device_down", Subject: "d", Text: "device d is silent: check the cable"}
	var err error
	kept := 0
	for ; err == nil && kept < 5000; kept++ {
		_, err = s.AppendEvent(event)
	}
	if waiting := s.Stats().WaitingBytes; !errors.Is(err, ErrBacklog) || waiting < backlog || waiting > backlog+backlog/8+200 {
		t.Fatalf("after %d events: %v, %d bytes wait; want ErrBacklog at %d", kept, err, waiting, backlog+backlog/8)
	}
	lost := loss{device: "d", why: "a test"}
	told := func() int {
		events, err := s.Events(0, 0, 0)
		if err != nil {
			t.Fatal(err)
		}
		n := 0
		for _, e := range events {
			if e.Kind == "data_damaged" {
				n++
			}
		}
		return n
	}
	if err := s.tellLoss(&lost); err != nil || told() != 0 {
		t.Errorf("a reading fails since its loss cannot be kept: %v, told %d times", err, told())
	}
	fs.set("create", 0)
	fs.set("write", 0)
	if err := s.Sync(); err != nil {
		t.Fatal(err)
	}
	if _, err := s.AppendEvent(event); err != nil {
		t.Error(err)
	}
	if err := s.tellLoss(&lost); err != nil || told() != 1 {
		t.Errorf("%v, told %d times; want once", err, told())
	}
}
