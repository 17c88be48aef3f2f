package store

import (
	"context"
	"errors"
	"testing"

	"loadscribe/agent/scan"
)

// power is a scan of the third test group that tells its time in its values.
func powerAt(g *scan.Group, mono, wall int64) scan.Scan {
	return scan.Scan{Group: g, MonoMS: mono, WallMS: wall, Values: []int64{mono, 0}}
}

func openClock(t *testing.T, dir string, clock *testClock, o Options) (*Store, *scan.Group) {
	t.Helper()
	o.Clock, o.SyncEvery = clock, never
	if o.Summariser == nil {
		o.Summariser = &counter{}
	}
	s, err := Open(dir, o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = s.Close() })
	return s, register(t, s, testGroups())[2]
}

func closeTest(t *testing.T, s *Store) {
	t.Helper()
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
}

// run appends n scans, one a second, from mono on.
func run(t *testing.T, s *Store, g *scan.Group, mono, offset int64, n int) {
	t.Helper()
	for i := range int64(n) {
		appendAll(t, s, []scan.Scan{powerAt(g, mono+i*1000, mono+i*1000+offset)})
	}
}

func countScans(t *testing.T, s *Store, fromMS, toMS int64) int {
	t.Helper()
	return len(readAll(t, s, ScanQuery{FromMS: fromMS, ToMS: toMS}))
}

// countPieces is how many scans the pieces of a window stand for.
func countPieces(t *testing.T, s *Store, fromMS, toMS int64) (n int) {
	t.Helper()
	pieces, err := s.Pieces("comp1", fromMS, toMS)
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range pieces {
		n += int(p.LastSeq - p.FirstSeq + 1)
	}
	return n
}

func drop(t *testing.T, s *Store, keep int) (d Dropped, ok bool) {
	t.Helper()
	told, err := s.RawBeyond(keep - 1) // and the newest
	if err != nil {
		t.Fatal(err)
	}
	d, ok, err = s.DropRawDay(keep - 1)
	if ok != (len(told) > 0) || ok && (told[0].DayMS != d.DayMS || told[0].Blocks != d.Blocks) {
		t.Errorf("dropped %+v, %v; what was told to go is %+v", d, ok, told)
	}
	if err != nil {
		t.Fatal(err)
	}
	return d, ok
}

// recordDays records ten scans on each of n days from startMS on.
func recordDays(t *testing.T, dir string, n int64) {
	t.Helper()
	s, g := openClock(t, dir, newTestClock(), Options{})
	for day := range n {
		run(t, s, g, 2000+day*dayMS, startMS-2000, 10)
	}
	closeTest(t, s)
}

// A start in 1970 whose clock is set later is part of the day on which it
// truly was: it is neither a day of its own nor the first to go.
func TestRetentionCountsACorrected1970AsItsTrueDay(t *testing.T) {
	dir := t.TempDir()
	recordDays(t, dir, 3)
	s, g := openClock(t, dir, &testClock{mono: 1000, wall: 12_000}, Options{})
	day3 := startMS + 3*dayMS
	run(t, s, g, 2000, 11_000, 100)
	run(t, s, g, 102_000, day3, 100)
	if err := s.seal(); err != nil {
		t.Fatal(err)
	}
	if d, ok := drop(t, s, 4); ok {
		t.Errorf("four true days and four kept, and %s was dropped", stamp(d.DayMS))
	}
	d, ok := drop(t, s, 3)
	if want := startOfDays; !ok || d.DayMS != want || d.Blocks != 1 || s.RawFrom() != want+dayMS {
		t.Errorf("dropped %+v, %v, raw from %s; want the day from %s", d, ok, stamp(s.RawFrom()), stamp(want))
	}
	if n := countScans(t, s, day3, day3+dayMS); n != 200 {
		t.Errorf("%d scans of the newest day, want 200", n)
	}
	if d, ok = drop(t, s, 1); !ok || d.DayMS != startOfDays+dayMS {
		t.Errorf("dropped %+v, %v", d, ok)
	}
	drop(t, s, 1)
	if d, ok = drop(t, s, 1); ok {
		t.Errorf("the last day was dropped: %+v", d)
	}
	if n := countScans(t, s, 0, 0); n != 200 {
		t.Errorf("%d scans, want the 200 of the newest day", n)
	}
}

// A clock that is never set starts in 1970 at each start. What such starts
// record goes in its turn, by when it was recorded, though all their labels
// are of one day, and a short one does not count as a day.
func TestRetentionOfAClockThatIsNeverSet(t *testing.T) {
	dir := t.TempDir()
	recordDays(t, dir, 3)
	for range 4 {
		s, g := openClock(t, dir, &testClock{mono: 1000, wall: 12_000}, Options{})
		run(t, s, g, 2000, 11_000, 10)
		closeTest(t, s)
	}
	s, _ := openClock(t, dir, &testClock{mono: 1000, wall: 12_000}, Options{})
	if d, ok := drop(t, s, 4); ok {
		t.Errorf("three days and four short starts, and %+v was dropped", d)
	}
	for day := range int64(3) {
		if d, ok := drop(t, s, 1); !ok || d.DayMS != startOfDays+day*dayMS {
			t.Errorf("dropped %+v, %v; want the day from %s", d, ok, stamp(startOfDays+day*dayMS))
		}
	}
	if n := countScans(t, s, 0, 0); n != 40 || s.RawFrom() != startOfDays+3*dayMS {
		t.Errorf("%d scans kept, raw from %s; want 40 of the starts in 1970", n, stamp(s.RawFrom()))
	}
}

// Single scans of a clock that was years ahead cost no true day, and raw
// readings are not said to begin years ahead once those have gone.
func TestRetentionOfDaysYearsAhead(t *testing.T) {
	s, g := openClock(t, t.TempDir(), newTestClock(), Options{})
	mono := int64(2000)
	add := func(wall int64) {
		mono += 1000
		appendAll(t, s, []scan.Scan{powerAt(g, mono, wall)})
	}
	for k := range int64(3) {
		add(startMS + k*1000)
		add(startMS + (3650+k)*dayMS)
	}
	for day := range int64(8) {
		for h := range int64(18) { // startMS is at six
			add(startMS + day*dayMS + h*hourMS + 10_000)
		}
		for more := true; more; {
			_, more = drop(t, s, 3)
		}
		first := max(0, day-2) // three days, today's with them
		want := int(day-first+1) * 18
		if first == 0 {
			want += 3
		}
		if n := countScans(t, s, startMS-dayMS, startMS+100*dayMS); n < want {
			t.Errorf("day %d: %d scans of true days, want %d", day, n, want)
		}
		if from, most := s.RawFrom(), startOfDays+first*dayMS; from > most {
			t.Errorf("day %d: raw from %s, want no later than %s", day, stamp(from), stamp(most))
		}
	}
	if s.RawFrom() == 0 || s.Stats().Cleanup.Days < 8 {
		t.Errorf("raw from %d, %d days dropped", s.RawFrom(), s.Stats().Cleanup.Days)
	}
	wantEachOnce(t, s)
}

// wantEachOnce: each sealed scan is in one piece, as things are, after a new
// fold and after a start with another site file.
func wantEachOnce(t *testing.T, s *Store) {
	t.Helper()
	want := func(s *Store, when string) {
		t.Helper()
		if n := countPieces(t, s, -maxWallMS, 0); n != int(s.SealedSeq()) {
			t.Errorf("%s: pieces count %d scans, want %d", when, n, s.SealedSeq())
		}
	}
	want(s, "as recorded")
	next := &counter{}
	if err := s.Refold(context.Background(), next, func() { *s.o.Summariser.(*counter) = *next }); err != nil {
		t.Fatal(err)
	}
	want(s, "after a new fold")
	dir := s.dir
	closeTest(t, s)
	again, _ := openClock(t, dir, &testClock{mono: 1000, wall: startMS + 5000*dayMS}, Options{Summariser: &counter{refuse: errors.New("another site file")}})
	want(again, "after a start with another site file")
}

// Days were dropped, and the labels of a start in 1970 are put right: a new
// fold counts each scan once, though its pieces move to another day.
func TestNewFoldOfCorrectedLabelsCountsEachScanOnce(t *testing.T) {
	dir := t.TempDir()
	recordDays(t, dir, 4)
	s, _ := openClock(t, dir, &testClock{mono: 1000, wall: startMS + 4*dayMS - hourMS}, Options{})
	if _, ok := drop(t, s, 2); !ok {
		t.Fatal("nothing was dropped")
	}
	closeTest(t, s)
	s, g := openClock(t, dir, &testClock{mono: 1000, wall: 12_000}, Options{})
	run(t, s, g, 2000, 11_000, 100)
	run(t, s, g, 102_000, startMS+4*dayMS, 100)
	if err := s.seal(); err != nil {
		t.Fatal(err)
	}
	wantEachOnce(t, s)
}

// The last sync of a drop fails, so that it stands and the disk may not have
// it: it is known at once that the day is gone, and told.
func TestDropWhoseLastSyncFails(t *testing.T) {
	fail := false
	s, g := openClock(t, t.TempDir(), newTestClock(), Options{CommitFault: func(last bool) error {
		if fail && last {
			return errors.New("the device fails")
		}
		return nil
	}})
	for day := range int64(4) {
		run(t, s, g, 2000+day*dayMS, startMS-2000, 1)
	}
	blocks := s.Stats().Blocks
	fail = true
	d, ok, err := s.DropRawDay(1)
	if !ok || !errors.Is(err, errUnsettled) || d.DayMS != startOfDays {
		t.Errorf("dropped %+v, %v, %v; want the first day and that it is unsettled", d, ok, err)
	}
	st := s.Stats()
	if s.RawFrom() != startOfDays+dayMS || st.Blocks != blocks-1 || st.Cleanup.Days != 1 || st.Cleanup.Error == "" {
		t.Errorf("raw from %s, %d blocks, cleanup %+v", stamp(s.RawFrom()), st.Blocks, st.Cleanup)
	}
	fail = false
	events, err := s.Events(0, 0, 0)
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for _, e := range events {
		if e.Kind == KindRawDropped && e.Data["day"] == "2026-03-02" {
			n++
		}
	}
	if n != 1 {
		t.Errorf("%d events of the dropped day, want 1", n)
	}
}

// Curves go by true time once it is known, raw and in cells, in memory and
// sealed: the clock was set within the hour in which recording began.
func TestSeriesOfACorrected1970(t *testing.T) {
	dir := t.TempDir()
	s, g := openClock(t, dir, &testClock{mono: 1000, wall: 12_000}, Options{})
	run(t, s, g, 2000, 11_000, 1000)
	run(t, s, g, 1_002_000, startMS, 1000) // the first was in truth at startMS + 2 s
	want := func(s *Store, when string) {
		t.Helper()
		for _, points := range []int{5000, 20} {
			got, err := s.Series(g.Channels[0].ID(), startMS, startMS+2_100_000, points)
			if err != nil {
				t.Fatal(err)
			}
			n, sum := int64(0), 0.0
			for _, c := range got.Cells {
				n, sum = n+c.Count, sum+c.Sum
			}
			all, err := s.Series(g.Channels[0].ID(), startMS, startMS+2_100_000, 1)
			if err != nil || n != 2000 || len(all.Cells) == 0 || all.Cells[0].Sum != sum || all.Cells[0].FirstMS != startMS+2000 {
				t.Errorf("%s, %d points: %d values, sum %g, as one cell %+v, %v; want 2000", when, points, n, sum, all.Cells, err)
			}
		}
		if was, err := s.Series(g.Channels[0].ID(), 0, hourMS, 20); err != nil {
			t.Error(err)
		} else {
			for _, c := range was.Cells {
				if c.Count > 0 {
					t.Errorf("%s: still in 1970: %+v", when, c)
				}
			}
		}
	}
	want(s, "open")
	if err := s.seal(); err != nil {
		t.Fatal(err)
	}
	want(s, "sealed")
	closeTest(t, s)
	s, _ = openClock(t, dir, &testClock{mono: 1000, wall: startMS + hourMS}, Options{})
	want(s, "opened again")
}
