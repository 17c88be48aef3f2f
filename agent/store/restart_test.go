package store

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// recordingFS notes what is done to the journal's files, in order.
type recordingFS struct {
	faultFS
	done []string
	free int64 // what Free says; 0: the truth
}

func (f *recordingFS) note(op, name string) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.done = append(f.done, op+" "+filepath.Base(name))
}

func (f *recordingFS) taken() []string {
	f.mu.Lock()
	defer f.mu.Unlock()
	done := f.done
	f.done = nil
	return done
}

func (f *recordingFS) Create(name string) (File, error) {
	f.note("create", name)
	file, err := f.faultFS.Create(name)
	if err != nil {
		return nil, err
	}
	return &recordingFile{file, f, name}, nil
}

func (f *recordingFS) Remove(name string) error {
	f.note("remove", name)
	if err := f.err("remove"); err != nil {
		return err
	}
	return f.osFS.Remove(name)
}

func (f *recordingFS) Rename(from, to string) error {
	f.note("rename", from)
	if err := f.err("rename"); err != nil {
		return err
	}
	return f.osFS.Rename(from, to)
}

func (f *recordingFS) MkdirAll(dir string) error {
	f.note("mkdir", dir)
	return f.osFS.MkdirAll(dir)
}

func (f *recordingFS) SyncDir(dir string) error {
	f.note("syncdir", dir)
	if err := f.err("syncdir"); err != nil {
		return err
	}
	return f.osFS.SyncDir(dir)
}

func (f *recordingFS) Free(dir string) (int64, error) {
	f.mu.Lock()
	free := f.free
	f.mu.Unlock()
	if free != 0 {
		return free, nil
	}
	return f.osFS.Free(dir)
}

func (f *recordingFS) setFree(n int64) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.free = n
}

type recordingFile struct {
	File
	fs   *recordingFS
	name string
}

func (f *recordingFile) Sync() error {
	f.fs.note("sync", f.name)
	return f.File.Sync()
}

// A new store's directories are made safe before anything is put into them.
func TestNewDirectoriesAreMadeSafe(t *testing.T) {
	parent := filepath.Join(t.TempDir(), "site")
	if err := os.Mkdir(parent, 0o755); err != nil {
		t.Fatal(err)
	}
	fs := &recordingFS{}
	openTest(t, filepath.Join(parent, "data"), Options{FS: fs, SyncEvery: never})
	want := []string{"mkdir journal", "syncdir data", "syncdir site", "rename store.db.new", "syncdir data",
		"create evidence.key.new", "sync evidence.key.new", "rename evidence.key.new", "syncdir data",
		"create 000000000001.log", "syncdir journal", "sync 000000000001.log"}
	if got := fs.taken(); !slices.Equal(got, want) {
		t.Errorf("made a store by\n%q, want\n%q", got, want)
	}
}

// What a start finds in the journal is written anew and synced, then the old
// file goes and its going is synced, and only then is anything called safe.
func TestStartJournalsAnew(t *testing.T) {
	dir := t.TempDir()
	old, all := lastJournal(t, dir, 30, Options{})
	fs := &recordingFS{}
	fs.set("remove", 1)
	s := openTest(t, dir, Options{FS: fs, SyncEvery: never})
	if d := s.DurableSeq(); d != 0 {
		t.Errorf("durable %d while the old file is still there, want 0", d)
	}
	if st := s.Stats(); !strings.Contains(st.SyncError, filepath.Base(old)) {
		t.Errorf("sync error %q does not name the file that would not go", st.SyncError)
	}
	fs.set("syncdir", 1)
	if err := s.Sync(); err == nil || s.DurableSeq() != 0 {
		t.Errorf("durable %d (%v) though the old file may come back, want 0 and an error", s.DurableSeq(), err)
	}
	if err := s.Sync(); err != nil || s.DurableSeq() != 30 {
		t.Errorf("durable %d (%v), want 30", s.DurableSeq(), err)
	}
	fresh := "000000000002.log"
	want := []string{"create " + fresh, "syncdir journal", "sync " + fresh, "remove 000000000001.log",
		"sync " + fresh, "remove 000000000001.log", "syncdir journal",
		"sync " + fresh, "remove 000000000001.log", "syncdir journal"}
	if got := fs.taken(); !slices.Equal(got, want) {
		t.Errorf("started by\n%q, want\n%q", got, want)
	}
	wantScans(t, readAll(t, s, ScanQuery{}), all)
	abandonStore(t, s)
	if names, err := fs.List(filepath.Join(dir, journalDir)); err != nil || !slices.Equal(names, []string{fresh}) {
		t.Errorf("journal holds %q (%v), want the new file alone", names, err)
	}
	wantScans(t, readAll(t, openTest(t, dir, Options{}), ScanQuery{}), all)
}

// A start on a disk that takes nothing records all the same: nothing is called
// safe, the old journal stays, and when the disk takes data again all is.
func TestStartOnFullDisk(t *testing.T) {
	dir := t.TempDir()
	old, all := lastJournal(t, dir, 30, Options{})
	fs := &recordingFS{free: 1000}
	s := openTest(t, dir, Options{FS: fs, SyncEvery: never})
	g := register(t, s, testGroups())
	all = append(all, appendAll(t, s, stream(g, 1, startMS+30_000, 20))...)
	if d, st := s.DurableSeq(), s.Stats(); d != 0 || !strings.Contains(st.SyncError, "disk is full") {
		t.Errorf("durable %d, sync error %q; want 0 and the full disk", d, st.SyncError)
	}
	if _, err := os.Stat(old); err != nil {
		t.Errorf("the old journal went before a new one was safe: %v", err)
	}
	if got := fs.taken(); len(got) > 0 {
		t.Errorf("on a full disk: %q, want nothing", got)
	}
	fs.setFree(0)
	if err := s.Sync(); err != nil || s.DurableSeq() != s.LastSeq() {
		t.Errorf("durable %d of %d after the disk was freed: %v", s.DurableSeq(), s.LastSeq(), err)
	}
	abandonStore(t, s)
	wantScans(t, readAll(t, openTest(t, dir, Options{}), ScanQuery{}), all)
}

// The bytes of a damaged journal file are kept beside it; a torn tail is no
// damage.
func TestDamagedJournalIsKept(t *testing.T) {
	dir := t.TempDir()
	name, _ := lastJournal(t, dir, 30, Options{})
	whole, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	whole[len(whole)/2] ^= 1
	if err := os.WriteFile(name, whole, 0o644); err != nil {
		t.Fatal(err)
	}
	s := openTest(t, dir, Options{})
	if e := damageEvents(t, s); len(e) != 1 {
		t.Errorf("damage events %q, want one", e)
	}
	kept, err := filepath.Glob(name + ".damaged-*")
	if err != nil || len(kept) != 1 {
		t.Fatalf("kept %q, %v", kept, err)
	}
	if b, err := os.ReadFile(kept[0]); err != nil || string(b) != string(whole) {
		t.Errorf("the kept file differs from the damaged one (%v)", err)
	}
}
