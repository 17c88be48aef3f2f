package store

import (
	"encoding/binary"
	"errors"
	"os"
	"testing"

	"loadscribe/agent/scan"
)

// A disk that begins to lie about the pages of an open database costs the
// reads, which say so. It must not leave a transaction open: bbolt then waits
// for it whenever the file has to grow and when it is closed, for ever.
func TestDamagedPageWhileOpen(t *testing.T) {
	dir := t.TempDir()
	s, err := Open(dir, Options{SyncEvery: never, Clock: newTestClock()})
	if err != nil {
		t.Fatal(err)
	}
	appendAll(t, s, stream(register(t, s, testGroups()), 5, startMS, hoursAndABit))
	f, err := os.OpenFile(s.db.Path(), os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	pageSize := int64(s.db.Info().PageSize)
	for at := 2 * pageSize; at+16 <= fileSize(s.db.Path()); at += pageSize { // behind the two heads: each page's own number
		if _, err := f.WriteAt([]byte("not this page"), at); err != nil {
			t.Fatal(err)
		}
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
	if err := s.Scans(ScanQuery{}, func(*scan.Scan) error { return nil }); !errors.Is(err, ErrDamaged) {
		t.Errorf("scans of a damaged file: %v, want ErrDamaged", err)
	}
	if _, err := s.Events(0, 0, 0); !errors.Is(err, ErrDamaged) {
		t.Errorf("events of a damaged file: %v, want ErrDamaged", err)
	}
	if n := s.db.Stats().OpenTxN; n != 0 {
		t.Fatalf("%d transactions are left open: the store cannot be closed any more", n)
	}
	if err := s.Close(); err == nil {
		t.Error("the seal at the end found nothing wrong")
	}
	s = openTest(t, dir, Options{}) // the next start saves what can be read
	if len(damageEvents(t, s)) == 0 {
		t.Error("the damage is not told")
	}
}

// Where the page is met in the midst of a commit, nothing more is written to
// the file; scans go on to the journal, and the next start has them all.
func TestDamagedPageInACommit(t *testing.T) {
	alone(t)
	dir := t.TempDir()
	s, err := Open(dir, Options{SyncEvery: never, Clock: newTestClock()})
	if err != nil {
		t.Fatal(err)
	}
	g := register(t, s, testGroups())
	all := appendAll(t, s, stream(g, 5, startMS, hoursAndABit))
	wipeFreelist(t, s)
	seal := func() error {
		s.writeMu.Lock()
		defer s.writeMu.Unlock()
		return s.seal()
	}
	for try := range 3 {
		if err := seal(); !errors.Is(err, ErrDamaged) {
			t.Fatalf("seal %d: %v, want ErrDamaged", try, err)
		}
	}
	if s.broken == nil {
		t.Error("the commit did not meet the page")
	}
	all = append(all, appendAll(t, s, stream(g, 6, startMS+hoursAndABit*1000, 60))...)
	if err := s.Sync(); err != nil {
		t.Fatal(err)
	}
	if durable, trouble := s.DurableSeq(), s.Stats().Trouble; durable != uint64(len(all)) || !errors.Is(trouble, ErrDamaged) {
		t.Errorf("safe to %d with trouble %v, want %d and ErrDamaged", durable, trouble, len(all))
	}
	wantScans(t, readAll(t, s, ScanQuery{}), all)
	if err := s.Close(); !errors.Is(err, ErrDamaged) {
		t.Errorf("close: %v, want ErrDamaged", err)
	}
	wantScans(t, readAll(t, openTest(t, dir, Options{}), ScanQuery{}), all)
}

// wipeFreelist clears the page with bbolt's list of free pages. A head names it
// 48 bytes into its page and has its own number 64 bytes in (bbolt 1.5.0,
// common.Meta behind a page header of 16 bytes).
func wipeFreelist(t *testing.T, s *Store) {
	t.Helper()
	f, err := os.OpenFile(s.db.Path(), os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	pageSize := int64(s.db.Info().PageSize)
	page, newest := uint64(0), uint64(0)
	for _, at := range []int64{0, pageSize} {
		head := make([]byte, 72)
		if _, err := f.ReadAt(head, at); err != nil {
			t.Fatal(err)
		}
		if number := binary.LittleEndian.Uint64(head[64:]); number >= newest {
			newest, page = number, binary.LittleEndian.Uint64(head[48:])
		}
	}
	if _, err := f.WriteAt(make([]byte, pageSize), int64(page)*pageSize); err != nil {
		t.Fatal(err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
}
