package store

import (
	"strings"
	"testing"

	"loadscribe/agent/scan"
)

// The clock of a computer without a battery starts in 1970 and is set later, or
// is set back or forward in mid-run: order is kept, nothing is held back, the
// labels of what came before the setting are corrected by a later entry, and a
// window in true time finds those scans, sealed or not, after a stop or a kill.
func TestClockThatIsSetLater(t *testing.T) {
	const boot = int64(12_000) // by the clock that is not set
	for _, tt := range []struct {
		name         string
		before       int  // scans before the clock is set
		seal, killed bool // between that and the setting; at the end
	}{
		{"at the start", 0, false, false},
		{"in mid-run", 30, false, false},
		{"in mid-run, killed", 30, false, true},
		{"after a seal", 30, true, false},
		{"after a seal, killed", 30, true, true},
	} {
		t.Run(tt.name, func(t *testing.T) {
			dir := t.TempDir()
			clock := &testClock{mono: 1000, wall: boot}
			s, err := Open(dir, Options{Clock: clock, SyncEvery: never})
			if err != nil {
				t.Fatal(err)
			}
			if s.ClockSet() {
				t.Error("a clock of 1970 is called set")
			}
			g := register(t, s, testGroups())[2]
			var all []scan.Scan
			add := func(offset int64, n int) {
				for range n {
					mono := 2000 + int64(len(all))*1000
					all = append(all, appendAll(t, s, []scan.Scan{{Group: g, MonoMS: mono, WallMS: mono + offset, Values: []int64{int64(len(all)), 0}}})...)
				}
			}
			add(boot-1000, tt.before)
			if tt.seal {
				if err := s.seal(); err != nil {
					t.Fatal(err)
				}
			}
			add(startMS-1000, 20)
			if !s.ClockSet() {
				t.Error("the clock is set and not called so")
			}
			want := append([]scan.Scan(nil), all...)
			for i := range want[:tt.before] {
				want[i].WallMS += startMS - boot
			}
			check := func(s *Store) {
				t.Helper()
				wantScans(t, readAll(t, s, ScanQuery{}), want)
				// the true time of all but the first and the last
				from, to := want[0].WallMS+1, want[len(want)-1].WallMS
				wantScans(t, readAll(t, s, ScanQuery{FromMS: from, ToMS: to}), want[1:len(want)-1])
				segs := s.Segments()
				if !segs[0].Untrusted || segs[0].ShiftMS != startMS-boot || segs[1].Untrusted || segs[1].ShiftMS != 0 {
					t.Errorf("segments %+v", segs)
				}
			}
			check(s)
			if err := s.Sync(); err != nil {
				t.Fatal(err)
			}
			if tt.killed {
				abandonStore(t, s)
			} else if err := s.Close(); err != nil {
				t.Fatal(err)
			}
			ro, err := OpenReadOnly(dir, Options{})
			if err != nil {
				t.Fatal(err)
			}
			check(ro)
			if err := ro.Close(); err != nil {
				t.Fatal(err)
			}
			s = openTest(t, dir, Options{Clock: &testClock{mono: 1000, wall: startMS + hourMS}})
			check(s)
			events, err := s.Events(0, 0, 0)
			if err != nil {
				t.Fatal(err)
			}
			said := map[string]string{}
			for _, e := range events {
				said[e.Kind] = e.Text
			}
			if !strings.Contains(said["clock_not_set"], "1970-01-01 00:00:12") || !strings.Contains(said["clock_step"], "forward") ||
				!strings.Contains(said["clock_set"], "in truth "+stamp(startMS)) {
				t.Errorf("events: %q", said)
			}
		})
	}
}

// A step of a clock that was set corrects nothing: which of the times was
// right is not known.
func TestStepOfASetClockCorrectsNothing(t *testing.T) {
	s := openTest(t, t.TempDir(), Options{})
	g := register(t, s, testGroups())[2]
	at := func(mono, wall int64) scan.Scan {
		return scan.Scan{Group: g, MonoMS: 1000 + mono, WallMS: startMS + wall, Values: []int64{1, 0}}
	}
	all := appendAll(t, s, []scan.Scan{at(0, 0), at(1000, 86_400_000), at(2000, 1000)})
	wantScans(t, readAll(t, s, ScanQuery{}), all)
	for _, seg := range s.Segments() {
		if seg.Untrusted || seg.ShiftMS != 0 {
			t.Errorf("segment %+v", seg)
		}
	}
}

// bootedClock knows the start of the computer.
type bootedClock struct {
	testClock
	id      string
	beganMS int64
}

func (c *bootedClock) Boot() (string, int64, bool) { return c.id, c.beganMS, c.id != "" }

// Runs that ended before the clock was set are corrected once it is, in a later
// run or while none ran, where they are of the same start of the computer; of
// another start, or where the system names none, nothing is known.
func TestClockThatIsSetInALaterRun(t *testing.T) {
	const trueBoot = startMS // when the computer was started
	for _, tt := range []struct {
		name    string
		id      string // of the later run's start
		stopped bool   // when the clock is set
		want    int64  // true time of the first segment; 0: it keeps its label
	}{
		{"in a later run", "a", false, trueBoot + 100_000},
		{"while none ran", "a", true, trueBoot + 100_000},
		{"after another start", "b", true, 0},
		{"no names of starts", "", true, 0},
	} {
		t.Run(tt.name, func(t *testing.T) {
			dir := t.TempDir()
			first := "a"
			if tt.id == "" {
				first = ""
			}
			// the clock began at 12 s when the computer started; the agent 100 s later
			s, err := Open(dir, Options{Clock: &bootedClock{testClock{1000, 112_000}, first, 99_000}, SyncEvery: never})
			if err != nil {
				t.Fatal(err)
			}
			g := register(t, s, testGroups())[2]
			run(t, s, g, 2000, 111_000, 10)
			closeTest(t, s)
			// and again 1000 s later
			clock := &bootedClock{testClock{1000, 1_112_000}, tt.id, 1_099_000}
			if tt.stopped {
				clock.wall = trueBoot + 1_100_000
			}
			s, err = Open(dir, Options{Clock: clock, SyncEvery: never})
			if err != nil {
				t.Fatal(err)
			}
			if !tt.stopped {
				run(t, s, g, 2000, 1_111_000, 10)
			}
			run(t, s, g, 12_000, trueBoot+1_099_000, 10)
			check := func(s *Store) {
				t.Helper()
				seg := s.Segments()[0]
				if tt.want == 0 && seg.ShiftMS != 0 || tt.want != 0 && seg.StartWallMS+seg.ShiftMS != tt.want {
					t.Errorf("the first segment is of %s, want %s", stamp(seg.StartWallMS+seg.ShiftMS), stamp(tt.want))
				}
				from := int64(0)
				if tt.want == 0 {
					from = 113_000
				} else {
					from = tt.want + 1000
				}
				if n := countScans(t, s, from, from+10_000); n != 10 {
					t.Errorf("%d scans from %s on, want 10", n, stamp(from))
				}
			}
			check(s)
			closeTest(t, s)
			check(openTest(t, dir, Options{}))
		})
	}
}

// Segments are read as they were written before they had a time since the
// start of the computer, and with it.
func TestSegmentRecord(t *testing.T) {
	for _, seg := range []Segment{
		{Number: 3, StartWallMS: startMS, StartMonoMS: 5, FirstSeq: 7, BootID: "b", Why: "agent start"},
		{Number: 3, StartWallMS: 12_000, StartMonoMS: 5, Untrusted: true, ShiftMS: -4},
		{Number: 3, StartWallMS: 12_000, StartMonoMS: 5, Untrusted: true, ShiftMS: 9, Booted: true, BootMS: 1 << 40},
	} {
		if got, err := decodeSegment(appendSegment(nil, &seg)); err != nil || got != seg {
			t.Errorf("%+v is read as %+v, %v", seg, got, err)
		}
	}
	// number 1, wall 12 s, mono 1 s, first 1, no boot id, why "x", then 1 and a shift of −1 ms
	old := []byte{1, 0xc0, 0xbb, 1, 0xd0, 0x0f, 1, 0, 1, 'x', 1, 1}
	want := Segment{Number: 1, StartWallMS: 12_000, StartMonoMS: 1000, FirstSeq: 1, Why: "x", Untrusted: true, ShiftMS: -1}
	if got, err := decodeSegment(old); err != nil || got != want {
		t.Errorf("a record of before is read as %+v, %v; want %+v", got, err, want)
	}
}
