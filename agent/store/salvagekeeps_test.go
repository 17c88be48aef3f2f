package store

import (
	"errors"
	"os"
	"path/filepath"
	"testing"

	"loadscribe/agent/scan"
)

// The time from which readings are kept is known right after a salvage.
func TestRawFromAfterSalvage(t *testing.T) {
	dir := storeOf(t, 4, dayMS)
	s, err := Open(dir, Options{Clock: newTestClock(), Summariser: &counter{}, SyncEvery: never})
	if err != nil {
		t.Fatal(err)
	}
	if _, ok, err := s.DropRawDay(1); !ok || err != nil {
		t.Fatal(ok, err)
	}
	want := s.RawFrom()
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	flipValue(t, dir, bucketCells, nil)
	s = openTest(t, dir, Options{Summariser: &counter{}})
	if got := s.RawFrom(); got != want || got == 0 {
		t.Errorf("readings are kept from %s, want %s", stamp(got), stamp(want))
	}
	if st := s.Stats(); st.Blocks != 3 || st.OldestMS < want {
		t.Errorf("%d blocks from %s, want 3 from %s on", st.Blocks, stamp(st.OldestMS), stamp(want))
	}
}

// The correction of a clock that was not set outlives the loss of both heads,
// although an older copy of the segment stands in the file too; and that of one
// block, where the tree says which copy counts.
func TestSalvageKeepsTheCorrectedClock(t *testing.T) {
	for _, heads := range []bool{true, false} {
		dir := t.TempDir()
		s, err := Open(dir, Options{Clock: &testClock{mono: 1000, wall: 12_000}, SyncEvery: never})
		if err != nil {
			t.Fatal(err)
		}
		g := register(t, s, testGroups())[2]
		add := func(from, to, offsetMS int64) {
			for i := from; i < to; i++ {
				appendAll(t, s, []scan.Scan{scanAt(g, 2000+i*1000, offsetMS+2000+i*1000)})
			}
		}
		add(0, 30, 11_000)
		if err := s.seal(); err != nil {
			t.Fatal(err)
		}
		add(30, 60, startMS)
		want := s.Segments()[0].ShiftMS
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
		if heads {
			f, err := os.OpenFile(filepath.Join(dir, databaseName), os.O_RDWR, 0)
			if err != nil {
				t.Fatal(err)
			}
			_, err = f.WriteAt(make([]byte, 2*os.Getpagesize()), 0)
			if err := errors.Join(err, f.Close()); err != nil {
				t.Fatal(err)
			}
		} else {
			flipValue(t, dir, bucketCells, nil)
		}
		s = openTest(t, dir, Options{Clock: &testClock{mono: 1000, wall: startMS + hourMS}})
		if segs := s.Segments(); want == 0 || len(segs) == 0 || segs[0].ShiftMS != want {
			t.Errorf("both heads lost %v: segments %+v, want the first shifted by %d", heads, segs, want)
		}
		if got := len(readAll(t, s, ScanQuery{FromMS: startMS})); got != 60 {
			t.Errorf("both heads lost %v: %d scans at their true time, want 60", heads, got)
		}
	}
}

// Summaries of dropped days are not lost where a clock that was not set has
// put a block into 1970.
func TestSalvageKeepsSummariesBeside1970(t *testing.T) {
	dir := storeOf(t, 4, dayMS)
	s, err := Open(dir, Options{Clock: newTestClock(), Summariser: &counter{}, SyncEvery: never})
	if err != nil {
		t.Fatal(err)
	}
	for range 2 {
		if _, ok, err := s.DropRawDay(1); !ok || err != nil {
			t.Fatal(ok, err)
		}
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	s, err = Open(dir, Options{Clock: &testClock{mono: 1000, wall: 12_000}, Summariser: &counter{}, SyncEvery: never})
	if err != nil {
		t.Fatal(err)
	}
	g := register(t, s, testGroups())[2]
	for i := range int64(100) {
		appendAll(t, s, []scan.Scan{scanAt(g, 2000+i*1000, 13_000+i*1000)})
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	flipValue(t, dir, bucketCells, nil)
	s = openTest(t, dir, Options{Clock: &testClock{mono: 1000, wall: startMS + 5*dayMS}, Summariser: &counter{}})
	if got := scansInPieces(t, s); got != 104 {
		t.Errorf("summaries of %d scans, want 104", got)
	}
}

func scansInPieces(t *testing.T, s *Store) (n uint64) {
	t.Helper()
	pieces, err := s.Pieces("comp1", -1, 0)
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range pieces {
		n += p.LastSeq - p.FirstSeq + 1
	}
	return n
}
