package store

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"loadscribe/agent/scan"
)

// everything is what a reader sees of a store: scans, events, segments, groups.
type everything struct {
	Scans    []scan.Scan
	Events   []Event
	Segments []Segment
	Groups   []*scan.Group
}

func readEverything(t *testing.T, s *Store) everything {
	t.Helper()
	e := everything{Segments: s.Segments(), Groups: s.Groups()}
	if err := s.Scans(ScanQuery{}, func(sc *scan.Scan) error {
		e.Scans = append(e.Scans, sc.Clone())
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	var err error
	if e.Events, err = s.Events(0, 0, 0); err != nil {
		t.Fatal(err)
	}
	return e
}

// restore puts a backup where a store is read from.
func restore(t *testing.T, file string) *Store {
	t.Helper()
	dir := t.TempDir()
	if err := copyFile(file, filepath.Join(dir, databaseName)); err != nil {
		t.Fatal(err)
	}
	s, err := OpenReadOnly(dir, Options{})
	if err != nil {
		t.Fatalf("open the restored store: %v", err)
	}
	t.Cleanup(func() { s.Close() })
	return s
}

// writeBackup takes a backup of a running store to a file, as a slow reader:
// scans come in between its reads, and must not be in it.
func writeBackup(t *testing.T, s *Store, file string, between func()) *Backup {
	t.Helper()
	b, err := s.Backup()
	if err != nil {
		t.Fatalf("back up: %v", err)
	}
	defer b.Close()
	if _, err := s.Backup(); !errors.Is(err, ErrBusy) {
		t.Errorf("a second backup at the same time: %v, want ErrBusy", err)
	}
	var text bytes.Buffer
	for {
		if _, err := io.CopyN(&text, b, 64<<10); errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			t.Fatal(err)
		}
		between()
	}
	if err := os.WriteFile(file, text.Bytes(), 0o644); err != nil {
		t.Fatal(err)
	}
	return b
}

// A backup of a running store holds exactly what was there when it was asked
// for, and a slow reader does not make the database grow: while its file is
// being read the freed pages are used again.
func TestBackupOfARunningStore(t *testing.T) {
	dir := t.TempDir()
	s := openTest(t, dir, Options{})
	groups := register(t, s, testGroups())
	all := stream(groups, 3, startMS, 5*3600)
	const hold = 3000 // scans that come while the backup is read
	appendAll(t, s, all[:len(all)-hold])
	want := readEverything(t, s)
	rest := all[len(all)-hold:]
	file := filepath.Join(t.TempDir(), "store.backup")
	b := writeBackup(t, s, file, func() {
		if len(rest) > 0 {
			appendAll(t, s, rest[:100])
			rest = rest[100:]
		}
	})
	if len(rest) == hold {
		t.Fatal("the backup was read in one piece: the test shows nothing")
	}
	if open := s.db.Stats().OpenTxN; open != 0 {
		t.Errorf("%d read transactions are open after the copy", open)
	}
	if got := readEverything(t, restore(t, file)); !reflect.DeepEqual(got, want) {
		t.Errorf("the backup has %d scans and %d events, want %d and %d as they were", len(got.Scans), len(got.Events), len(want.Scans), len(want.Events))
	}
	if last := want.Scans[len(want.Scans)-1].Seq; b.Seq != last {
		t.Errorf("the backup says it ends with scan %d, want %d", b.Seq, last)
	}
	info, err := CheckBackup(file)
	if err != nil || info.Seq != b.Seq || info.Size != b.Size {
		t.Errorf("check: %+v, %v; want sequence %d and %d bytes", info, err, b.Seq, b.Size)
	}
	if _, err := os.Stat(filepath.Join(dir, backupPart)); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("%s is still there: %v", backupPart, err)
	}
}

// A killed agent leaves an hour in the journal; a backup of its directory has
// that too and leaves the directory as it was.
func TestBackupOfAKilledStore(t *testing.T) {
	dir := t.TempDir()
	s := openTest(t, dir, Options{})
	groups := register(t, s, testGroups())
	appendAll(t, s, stream(groups, 3, startMS, 3*3600+1700))
	if err := s.Sync(); err != nil {
		t.Fatal(err)
	}
	want := readEverything(t, s)
	out := filepath.Join(t.TempDir(), "store.backup")
	if _, err := BackupStopped(dir, out, Options{}); !errors.Is(err, ErrLocked) {
		t.Errorf("backup past a running store: %v, want ErrLocked", err)
	}
	abandonStore(t, s)
	before := directory(t, dir)
	if _, err := BackupStopped(dir, out, Options{}); err != nil {
		t.Fatal(err)
	}
	got := readEverything(t, restore(t, out))
	if n := len(got.Events) - 1; n < 0 || got.Events[n].Kind != KindEvidenceKey || !strings.Contains(got.Events[n].Text, "in this copy by a key of the copy's own") {
		t.Errorf("the copy does not say whose key sealed it: %+v", got.Events)
	} else {
		got.Events = got.Events[:n]
	}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("the backup has %d scans and %d events, want %d and %d as they were", len(got.Scans), len(got.Events), len(want.Scans), len(want.Events))
	}
	if after := directory(t, dir); !reflect.DeepEqual(before, after) {
		t.Error("the backup changed the directory that it copied")
	}
	if left, _ := filepath.Glob(filepath.Join(filepath.Dir(out), ".loadscribe-backup-*")); len(left) > 0 {
		t.Errorf("%v is left", left)
	}
	if _, err := BackupStopped(t.TempDir(), out, Options{}); !errors.Is(err, ErrNoStore) {
		t.Errorf("backup of an empty folder: %v, want ErrNoStore", err)
	}
}

// directory is every file of a directory but the lock.
func directory(t *testing.T, dir string) map[string]string {
	t.Helper()
	files := map[string]string{}
	err := filepath.WalkDir(dir, func(path string, d os.DirEntry, err error) error {
		if err != nil || d.IsDir() || d.Name() == lockName {
			return err
		}
		text, err := os.ReadFile(path)
		files[path] = string(text)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return files
}

// A backup that was cut short or is something else is told as such.
func TestCheckBackupFindsFaults(t *testing.T) {
	s := openTest(t, t.TempDir(), Options{})
	groups := register(t, s, testGroups())
	appendAll(t, s, stream(groups, 3, startMS, 2*3600))
	file := filepath.Join(t.TempDir(), "store.backup")
	writeBackup(t, s, file, func() {})
	whole, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	for name, text := range map[string][]byte{
		"half":    whole[:len(whole)/2],
		"empty":   nil,
		"another": bytes.Repeat([]byte("time,value\r\n"), 1000),
	} {
		if err := os.WriteFile(file, text, 0o644); err != nil {
			t.Fatal(err)
		}
		if _, err := CheckBackup(file); !errors.Is(err, ErrDamaged) {
			t.Errorf("%s: %v, want ErrDamaged", name, err)
		}
	}
}

// A flipped bit anywhere in a block, in the cells or in an event makes a backup
// damaged: each value is read, not the tree alone. It takes no other one's
// place then.
func TestCheckBackupReadsEveryValue(t *testing.T) {
	alone(t)
	dir := t.TempDir()
	s, err := Open(dir, Options{Clock: newTestClock(), SyncEvery: never, Summariser: &counter{}})
	if err != nil {
		t.Fatal(err)
	}
	appendAll(t, s, stream(register(t, s, testGroups()), 3, startMS, 5*3600))
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	folder := t.TempDir()
	file, out := filepath.Join(folder, "good"), filepath.Join(folder, "out")
	if _, err := BackupStopped(dir, file, Options{}); err != nil {
		t.Fatal(err)
	}
	cs, err := newStore(filepath.Join(folder, "none"), Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer cs.dec.Close()
	tree, err := checkFile(file, cs)
	if err != nil {
		t.Fatal(err)
	}
	places := map[string]int64{}
	for at := range tree.live {
		places[fmt.Sprintf("block or events at %d", at)] = at
	}
	for _, v := range tree.rest {
		places[v.top] = v.at
	}
	if len(places) < 8 {
		t.Fatalf("only %d values to flip: %v", len(places), places)
	}
	whole, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	for what, at := range places {
		b := bytes.Clone(whole)
		b[at+envelopeSize] ^= 1
		part := filepath.Join(folder, "part")
		if err := errors.Join(os.WriteFile(part, b, 0o644), os.WriteFile(out, []byte("an older one"), 0o644)); err != nil {
			t.Fatal(err)
		}
		if _, err := CheckBackup(part); !errors.Is(err, ErrDamaged) {
			t.Errorf("%s flipped: %v, want ErrDamaged", what, err)
		}
		if _, err := PlaceBackup(part, out); !errors.Is(err, ErrDamaged) {
			t.Errorf("%s flipped: placed with %v, want ErrDamaged", what, err)
		}
		if old, err := os.ReadFile(out); err != nil || string(old) != "an older one" {
			t.Errorf("%s flipped: the older backup is gone (%v)", what, err)
		}
	}
}
