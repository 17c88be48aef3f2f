package store

import (
	"context"
	"testing"
)

// What was sealed before the clock was set is in the wrong curves and pieces:
// Relabel brings both to their true time, at once, makes only those pieces anew
// that this run made, and each scan counts once, before and after a restart.
func TestRelabel(t *testing.T) {
	dir := t.TempDir()
	recordDays(t, dir, 2)
	sum := &counter{}
	s, g := openClock(t, dir, &testClock{mono: 1000, wall: 12_000}, Options{Summariser: sum})
	resets := sum.resets
	run(t, s, g, 2000, 11_000, 1000)
	if err := s.seal(); err != nil {
		t.Fatal(err)
	}
	day := startMS + 2*dayMS
	run(t, s, g, 1_002_000, day, 1000) // the first was in truth at day + 2 s
	if !s.LabelsMoved() {
		t.Fatal("the labels of summarised scans were put right, and that is not told")
	}
	if n := countPieces(t, s, day, day+1_000_000); n != 0 {
		t.Errorf("%d scans at their true time before anything was put right", n)
	}
	check := func(s *Store, when string) {
		t.Helper()
		if s.LabelsMoved() {
			t.Errorf("%s: still not at their true time", when)
		}
		if n := countPieces(t, s, day, day+pieceMS); n < 890 || n > 900 {
			t.Errorf("%s: pieces of the first quarter of an hour have %d scans, want some 898", when, n)
		}
		if n := countPieces(t, s, -maxWallMS, hourMS); n != 0 {
			t.Errorf("%s: pieces of 1970 have %d scans", when, n)
		}
		if n := countPieces(t, s, -maxWallMS, 0); n != int(s.SealedSeq()) {
			t.Errorf("%s: pieces have %d scans of %d", when, n, s.SealedSeq())
		}
		got, err := s.Series(g.Channels[0].ID(), day, day+35*minuteMS, 35)
		if err != nil {
			t.Fatal(err)
		}
		n := int64(0)
		for _, c := range got.Cells {
			n += c.Count
		}
		if got.StepMS != minuteMS || n != 2000 {
			t.Errorf("%s: %d values in cells of %d ms, want 2000 in minutes", when, n, got.StepMS)
		}
		if oldest := s.Stats().OldestMS; oldest != startMS {
			t.Errorf("%s: the oldest scan is called of %s", when, stamp(oldest))
		}
	}
	next := &counter{}
	if err := s.Relabel(context.Background(), next, func() { *sum = *next }); err != nil {
		t.Fatal(err)
	}
	if next.resets != 0 || resets != 0 || sum.total != s.LastSeq() {
		t.Errorf("%d new folds from the first scan on, and %d; the fold has seen %d of %d scans", resets, next.resets, sum.total, s.LastSeq())
	}
	check(s, "put right")
	closeTest(t, s)
	s, _ = openClock(t, dir, &testClock{mono: 1000, wall: day + hourMS}, Options{Summariser: &counter{}})
	check(s, "opened again")
}

// The run ends, by a kill too, before anything could be put right: the next one
// knows that it has to be, and so does who only reads.
func TestRelabelInTheNextRun(t *testing.T) {
	for _, killed := range []bool{false, true} {
		dir := t.TempDir()
		s, err := Open(dir, Options{Clock: &testClock{mono: 1000, wall: 12_000}, SyncEvery: never, Summariser: &counter{}})
		if err != nil {
			t.Fatal(err)
		}
		g := register(t, s, testGroups())[2]
		run(t, s, g, 2000, 11_000, 100)
		if err := s.seal(); err != nil {
			t.Fatal(err)
		}
		if s.LabelsMoved() {
			t.Error("the clock is not set, and labels are said to be put right")
		}
		run(t, s, g, 102_000, startMS, 100)
		if err := s.Sync(); err != nil {
			t.Fatal(err)
		}
		if killed {
			abandonStore(t, s)
		} else {
			closeTest(t, s)
		}
		ro, err := OpenReadOnly(dir, Options{})
		if err != nil {
			t.Fatal(err)
		}
		if !ro.LabelsMoved() || ro.Stats().OldestMS != startMS+2000 {
			t.Errorf("killed %v: a reader is not told (%v), or finds the oldest scan at %s", killed, ro.LabelsMoved(), stamp(ro.Stats().OldestMS))
		}
		closeTest(t, ro)
		sum := &counter{}
		s, _ = openClock(t, dir, &testClock{mono: 1000, wall: startMS + hourMS}, Options{Summariser: sum})
		if !s.LabelsMoved() || sum.resets != 0 {
			t.Errorf("killed %v: the next run is not told, or folds all before it records (%d)", killed, sum.resets)
		}
		next := &counter{}
		if err := s.Relabel(context.Background(), next, func() { *sum = *next }); err != nil {
			t.Fatal(err)
		}
		if n, all := countPieces(t, s, startMS, startMS+hourMS), countPieces(t, s, -maxWallMS, 0); n != 200 || all != 200 || s.LabelsMoved() {
			t.Errorf("killed %v: pieces have %d scans at their true time and %d in all, want 200", killed, n, all)
		}
		closeTest(t, s)
	}
}

// Events of the time before the clock was set are read at their true time, the
// sealed and the others, within a window and a limit; what was kept after the
// setting and before the first scan that shows it keeps its label, and so does
// what is kept late.
func TestEventsOfAClockThatIsSetLater(t *testing.T) {
	dir := t.TempDir()
	recordDays(t, dir, 1)
	clock := &testClock{mono: 1000, wall: 12_000}
	s, g := openClock(t, dir, clock, Options{})
	day := startMS + dayMS
	event := func(text string, wall int64) {
		t.Helper()
		if _, err := s.AppendEvent(Event{Kind: "note", Text: text, WallMS: wall}); err != nil {
			t.Fatal(err)
		}
	}
	run(t, s, g, 2000, 11_000, 100)
	event("sealed", 50_000)
	if err := s.seal(); err != nil {
		t.Fatal(err)
	}
	event("not sealed", 60_000)
	event("ahead of the scans", day+100_000)
	run(t, s, g, 102_000, day, 100)
	event("late", 70_000)
	event("new", day+300_000)
	check := func(s *Store, when string) {
		t.Helper()
		for _, tt := range []struct {
			from, to int64
			limit    int
			want     string
		}{
			// the clock was wrong by day − 11 000
			{0, 0, 0, "sealed not sealed late ahead of the scans new "},
			{day, day + hourMS, 0, "sealed not sealed late ahead of the scans new "},
			{day + 45_000, day + 60_000, 0, "not sealed late "},
			{0, 0, 2, "ahead of the scans new "},
			{0, 0, 4, "not sealed late ahead of the scans new "},
			{-dayMS, dayMS, 0, ""},
		} {
			events, err := s.EventsWhere(tt.from, tt.to, tt.limit, func(e *Event) bool { return e.Kind == "note" })
			if err != nil {
				t.Fatal(err)
			}
			got := ""
			for _, e := range events {
				got += e.Text + " "
			}
			if got != tt.want {
				t.Errorf("%s: from %d to %d, at most %d: %q, want %q", when, tt.from, tt.to, tt.limit, got, tt.want)
			}
		}
	}
	check(s, "open")
	closeTest(t, s)
	s, _ = openClock(t, dir, &testClock{mono: 1000, wall: day + hourMS}, Options{})
	check(s, "opened again")
}
