package store

import (
	"bytes"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"

	bolt "go.etcd.io/bbolt"
)

// A disk that is cut. cutDisk records, in order, all that a store does to its
// files: the journal's through the seam, bbolt's by comparing the file before
// and after each commit. From the record, stateAt makes what a disk may hold
// when the power goes in the midst of step k:
//
//   - bytes written and not yet synced are lost, or there, or there in part,
//     sector by sector in any order, and where they are lost there are zeros or
//     what another file left there;
//   - names made, renamed or removed and not yet synced with their directory
//     have happened or not, each on its own;
//   - bbolt writes data pages, syncs, writes one meta page, syncs
//     (bbolt 1.5.0, Tx.Commit); before that it lengthens the file and syncs.
//
// A sector of 512 bytes is written whole or not at all (what power-fail-safe
// devices promise; common practice, no source). The meta page alone is also
// torn within its sector, since bbolt's own checksum is there for that.
type cutDisk struct {
	osFS
	root       string
	acked      func() marks // what the store calls safe at this moment
	files      map[string]int
	next       int
	steps      []step
	base       map[string][]byte // files at the beginning: durable
	hadJournal bool              // its directory was there at the beginning
	images     map[string][]byte // of databases, after the last step
}

type stepKind int

const (
	stepMake stepKind = iota + 1
	stepMkdir
	stepWrite
	stepSync
	stepSyncDir
	stepRename
	stepRemove
	stepCommit
)

func (k stepKind) String() string {
	return [...]string{"?", "make", "mkdir", "write", "sync", "sync directory", "rename", "remove", "commit"}[k]
}

type step struct {
	kind          stepKind
	inode         int
	name, to      string // relative to root
	data          []byte
	before, after []byte // commit
	acked         marks
}

const sector = 512

func newCutDisk(root string) *cutDisk {
	d := &cutDisk{root: root, files: map[string]int{}, images: map[string][]byte{},
		acked: func() marks { return marks{} }}
	d.base = readTree(root)
	for _, name := range slices.Sorted(maps.Keys(d.base)) {
		d.next++
		d.files[name] = d.next
		if strings.HasPrefix(name, databaseName) {
			d.images[name] = d.base[name]
		}
	}
	_, err := os.Stat(filepath.Join(root, journalDir))
	d.hadJournal = err == nil
	return d
}

// readTree reads all files below root but the lock.
func readTree(root string) map[string][]byte {
	out := map[string][]byte{}
	for _, pattern := range []string{"*", journalDir + "/*"} {
		names, _ := filepath.Glob(filepath.Join(root, pattern)) // the pattern is right
		for _, name := range names {
			if b, err := os.ReadFile(name); err == nil && filepath.Base(name) != lockName {
				rel, _ := filepath.Rel(root, name)
				out[rel] = b
			}
		}
	}
	return out
}

func (d *cutDisk) rel(name string) string {
	r, err := filepath.Rel(d.root, name)
	if err != nil {
		panic(err)
	}
	return r
}

func (d *cutDisk) add(s step) {
	s.acked = d.acked()
	d.steps = append(d.steps, s)
}

func (d *cutDisk) made(name string) int {
	d.next++
	d.files[name], d.images[name] = d.next, nil
	d.add(step{kind: stepMake, inode: d.next, name: name})
	return d.next
}

func (d *cutDisk) MkdirAll(dir string) error {
	d.add(step{kind: stepMkdir, name: d.rel(dir)})
	return d.osFS.MkdirAll(dir)
}

func (d *cutDisk) Create(name string) (File, error) {
	inode := d.made(d.rel(name))
	f, err := d.osFS.Create(name)
	if err != nil {
		return nil, err
	}
	return &cutFile{f, d, inode}, nil
}

func (d *cutDisk) Remove(name string) error {
	if inode := d.files[d.rel(name)]; inode != 0 {
		d.add(step{kind: stepRemove, inode: inode, name: d.rel(name)})
		delete(d.files, d.rel(name))
	}
	return d.osFS.Remove(name)
}

func (d *cutDisk) Rename(from, to string) error {
	a, b := d.rel(from), d.rel(to)
	d.add(step{kind: stepRename, inode: d.files[a], name: a, to: b})
	d.files[b] = d.files[a]
	delete(d.files, a)
	d.images[b] = d.images[a]
	return d.osFS.Rename(from, to)
}

func (d *cutDisk) SyncDir(dir string) error {
	d.add(step{kind: stepSyncDir, name: d.rel(dir)})
	return d.osFS.SyncDir(dir)
}

type cutFile struct {
	File
	d     *cutDisk
	inode int
}

func (f *cutFile) Write(b []byte) (int, error) {
	f.d.add(step{kind: stepWrite, inode: f.inode, data: bytes.Clone(b)})
	return f.File.Write(b)
}

func (f *cutFile) Sync() error {
	f.d.add(step{kind: stepSync, inode: f.inode})
	return f.File.Sync()
}

// tap watches one database; see Options.
func (d *cutDisk) tap(name string) bolt.Logger {
	return &cutTap{Logger: quietLogger{}, d: d, name: d.rel(name)}
}

type cutTap struct {
	bolt.Logger
	d     *cutDisk
	name  string
	acked marks
}

// quietLogger drops what bbolt says.
type quietLogger struct{ bolt.Logger }

func (quietLogger) Debug(...any)          {}
func (quietLogger) Debugf(string, ...any) {}
func (quietLogger) Error(...any)          {}
func (quietLogger) Errorf(string, ...any) {}
func (quietLogger) Info(...any)           {}
func (quietLogger) Infof(string, ...any)  {}
func (quietLogger) Warning(...any)        {}

func (t *cutTap) Infof(format string, _ ...any) {
	switch {
	case strings.HasPrefix(format, "Opening db file"):
		if t.d.files[t.name] == 0 {
			t.d.made(t.name)
		}
	case strings.HasPrefix(format, "Opening bbolt db"):
		t.commit(nil)
	}
}

func (t *cutTap) Debugf(format string, _ ...any) {
	switch format {
	case "Committing transaction %d":
		t.acked = t.d.acked()
	case "Committing transaction %d successfully":
		t.commit(&t.acked)
	}
}

func (t *cutTap) commit(acked *marks) {
	after, err := os.ReadFile(filepath.Join(t.d.root, t.name))
	if err != nil {
		panic(err)
	}
	before := t.d.images[t.name]
	if bytes.Equal(before, after) {
		return
	}
	t.d.images[t.name] = after
	t.d.add(step{kind: stepCommit, inode: t.d.files[t.name], before: before, after: after})
	if acked != nil {
		t.d.steps[len(t.d.steps)-1].acked = *acked
	}
}
