package store

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	bolt "go.etcd.io/bbolt"
)

// metaPlaces are where in a database file the keys and values of meta stand.
func metaPlaces(t *testing.T, name string) (places map[string][2]int64) {
	t.Helper()
	f, err := os.Open(name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		t.Fatal(err)
	}
	places = map[string][2]int64{}
	w := pageWalk{f: f, size: info.Size(), visit: func(top, _ string, key []byte, at, n int64) error {
		if top == bucketMeta {
			places[string(key)] = [2]int64{at, n}
		}
		return nil
	}}
	if err := w.run(); err != nil {
		t.Fatal(err)
	}
	return places
}

// A flipped bit in any value of meta, the format's number too, or in the name
// of one, is named damage: it is never taken for the file of a newer program,
// nothing that a value says wrongly is believed, a start mends the file, and
// every scan is there.
func TestFlippedMeta(t *testing.T) {
	alone(t)
	dir := t.TempDir()
	s, err := Open(dir, Options{Clock: newTestClock(), Summariser: &counter{}, SyncEvery: never})
	if err != nil {
		t.Fatal(err)
	}
	g := register(t, s, testGroups())[2]
	for day := range int64(4) {
		run(t, s, g, 2000+day*dayMS, startMS-2000, 10)
	}
	if _, ok := drop(t, s, 2); !ok {
		t.Fatal("nothing was dropped")
	}
	closeTest(t, s)
	name := filepath.Join(dir, databaseName)
	whole, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	places := metaPlaces(t, name)
	for _, key := range []string{metaVersion, metaID, metaSealedScan, metaSealedEvent, metaFailures, metaRawFrom, metaSummarySeq, metaSummaryState, metaSums} {
		at, ok := places[key]
		if !ok || at[1] == 0 {
			t.Fatalf("meta has no %s: %v", key, places)
		}
		// the value's first and last byte, and the first of the name before it
		for _, place := range []int64{at[0], at[0] + at[1] - 1, at[0] - int64(len(key))} {
			bad := append([]byte(nil), whole...)
			bad[place] ^= 0x10
			flippedMeta(t, bad, key)
		}
	}
}

// flippedMeta opens a damaged copy of TestFlippedMeta's file.
func flippedMeta(t *testing.T, file []byte, key string) {
	t.Helper()
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, databaseName), file, 0o644); err != nil {
		t.Fatal(err)
	}
	if key != metaSums { // a file without checksums is one of before
		if _, err := OpenReadOnly(dir, Options{}); !errors.Is(err, ErrDamaged) || !strings.Contains(err.Error(), "start the agent") {
			t.Errorf("%s: reading gives %v, want damage and what mends it", key, err)
		}
	}
	for round := range 2 {
		s, err := Open(dir, Options{Clock: newTestClock(), Summariser: &counter{}, SyncEvery: never})
		if err != nil {
			t.Fatalf("%s: %v", key, err)
		}
		if n := len(readAll(t, s, ScanQuery{})); n != 30 {
			t.Errorf("%s: %d scans, want the 30 that are kept", key, n)
		}
		if n := countPieces(t, s, -maxWallMS, 0); n != 40 {
			t.Errorf("%s: pieces count %d scans, want all 40", key, n)
		}
		if s.RawFrom() != startOfDays+dayMS || s.LastSeq() != 40 {
			t.Errorf("%s: raw from %s, last scan %d", key, stamp(s.RawFrom()), s.LastSeq())
		}
		events, err := s.EventsWhere(0, 0, 0, func(e *Event) bool { return e.Kind == "data_damaged" })
		if err != nil {
			t.Fatal(err)
		}
		if asides, _ := filepath.Glob(filepath.Join(dir, "store.db.damaged-*")); len(asides) != 1 && key != metaSums || len(asides) != len(events) {
			t.Errorf("%s, round %d: %d files set aside, events %+v", key, round, len(asides), events)
		}
		closeTest(t, s)
	}
	checkIntegrity(t, dir)
}

// A file that was made before there were checksums is read, and has them from
// the first seal on.
func TestMetaWithoutChecksums(t *testing.T) {
	dir := storeOf(t, 10, 1000)
	name := filepath.Join(dir, databaseName)
	db, err := openDatabase(name, false)
	if err != nil {
		t.Fatal(err)
	}
	err = db.Update(func(tx *bolt.Tx) error { return tx.Bucket([]byte(bucketMeta)).Delete([]byte(metaSums)) })
	if err := errors.Join(err, db.Close()); err != nil {
		t.Fatal(err)
	}
	s := openTest(t, dir, Options{})
	if n := len(readAll(t, s, ScanQuery{})); n == 0 {
		t.Error("no scans")
	}
	if err := s.seal(); err != nil {
		t.Fatal(err)
	}
	if asides, _ := filepath.Glob(name + ".damaged-*"); len(asides) > 0 {
		t.Errorf("taken for damage: %q", asides)
	}
	if places := metaPlaces(t, name); places[metaSums][1] == 0 {
		t.Error("no checksums after a seal")
	}
}
