package store

import (
	"errors"
	"os"
	"path/filepath"
	"reflect"
	"testing"

	bolt "go.etcd.io/bbolt"
)

// Compaction gives space back, keeps everything, and is refused while the store
// is open. A copy that differs must be noticed: the comparison is the only
// thing between a bad copy and the old file.
func TestCompact(t *testing.T) {
	alone(t)
	dir := t.TempDir()
	s, err := Open(dir, Options{Clock: newTestClock()})
	if err != nil {
		t.Fatal(err)
	}
	groups := register(t, s, testGroups())
	appendAll(t, s, stream(groups, 3, startMS, 6*3600))
	if _, _, err := Compact(dir, Options{}); !errors.Is(err, ErrLocked) {
		t.Errorf("compaction of an open store: %v, want ErrLocked", err)
	}
	want := readEverything(t, s)
	// what retention does: freed pages that bbolt keeps
	err = s.db.Update(func(tx *bolt.Tx) error {
		return tx.Bucket([]byte(bucketMeta)).Put([]byte("ballast"), make([]byte, 3<<20))
	})
	if err == nil {
		err = s.db.Update(func(tx *bolt.Tx) error { return tx.Bucket([]byte(bucketMeta)).Delete([]byte("ballast")) })
	}
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	before, after, err := Compact(dir, Options{})
	if err != nil || after > before-(2<<20) {
		t.Fatalf("from %d to %d bytes, %v; want 2 MB less", before, after, err)
	}
	again, err := OpenReadOnly(dir, Options{})
	if err != nil {
		t.Fatal(err)
	}
	got := readEverything(t, again)
	if err := again.Close(); err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("%d scans and %d events after compaction, want %d and %d", len(got.Scans), len(got.Events), len(want.Scans), len(want.Events))
	}
	checkIntegrity(t, dir)
	if _, err := os.Stat(filepath.Join(dir, databaseName+newSuffix)); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("the unfinished file is left: %v", err)
	}
	if _, _, err := Compact(t.TempDir(), Options{}); !errors.Is(err, ErrNoStore) {
		t.Errorf("compaction of an empty folder: %v, want ErrNoStore", err)
	}
}

func TestSameContentsFindsDifferences(t *testing.T) {
	dir := t.TempDir()
	create := func(name string, change func(tx *bolt.Tx) error) *bolt.DB {
		db, err := bolt.Open(filepath.Join(dir, name), 0o644, nil)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { db.Close() })
		err = db.Update(func(tx *bolt.Tx) error {
			b, err := tx.CreateBucket([]byte("a"))
			if err != nil {
				return err
			}
			in, err := b.CreateBucket([]byte("in"))
			if err != nil {
				return err
			}
			return errors.Join(in.Put([]byte("k"), []byte("v")), b.Put([]byte("l"), []byte("w")), change(tx))
		})
		if err != nil {
			t.Fatal(err)
		}
		return db
	}
	same := func(*bolt.Tx) error { return nil }
	inner := func(tx *bolt.Tx) *bolt.Bucket { return tx.Bucket([]byte("a")).Bucket([]byte("in")) }
	first := create("first", same)
	if err := sameContents(first, create("same", same)); err != nil {
		t.Errorf("equal databases differ: %v", err)
	}
	for name, change := range map[string]func(tx *bolt.Tx) error{
		"value":   func(tx *bolt.Tx) error { return inner(tx).Put([]byte("k"), []byte("x")) },
		"less":    func(tx *bolt.Tx) error { return inner(tx).Delete([]byte("k")) },
		"more":    func(tx *bolt.Tx) error { return inner(tx).Put([]byte("m"), []byte("v")) },
		"bucket":  func(tx *bolt.Tx) error { _, err := tx.CreateBucket([]byte("z")); return err },
		"no leaf": func(tx *bolt.Tx) error { return tx.Bucket([]byte("a")).DeleteBucket([]byte("in")) },
	} {
		other := create(name, change)
		if sameContents(first, other) == nil || sameContents(other, first) == nil {
			t.Errorf("%s: the difference is not found", name)
		}
	}
}
