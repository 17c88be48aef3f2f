package store

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"loadscribe/agent/scan"
)

// faultFS fails on demand: the seam for injected failures.
type faultFS struct {
	osFS
	mu   sync.Mutex
	fail map[string]int // operation: how many times it fails from now on
	made int
}

var errInjected = errors.New("injected failure")

func (f *faultFS) set(op string, times int) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.fail == nil {
		f.fail = map[string]int{}
	}
	f.fail[op] = times
}

func (f *faultFS) err(op string) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.fail[op] == 0 {
		return nil
	}
	f.fail[op]--
	return errInjected
}

func (f *faultFS) Create(name string) (File, error) {
	if err := f.err("create"); err != nil {
		return nil, err
	}
	file, err := f.osFS.Create(name)
	if err != nil {
		return nil, err
	}
	f.mu.Lock()
	f.made++
	f.mu.Unlock()
	return &faultFile{file, f}, nil
}

type faultFile struct {
	File
	fs *faultFS
}

func (f *faultFile) Write(b []byte) (int, error) {
	if err := f.fs.err("write"); err != nil {
		n, _ := f.File.Write(b[:len(b)/2]) // half of it arrives
		return n, err
	}
	return f.File.Write(b)
}

func (f *faultFile) Sync() error {
	if err := f.fs.err("sync"); err != nil {
		return err
	}
	return f.File.Sync()
}

// never is a sync interval that no test reaches.
const never = time.Hour

// abandonStore lets a store go as a killed process does, but for its lock.
func abandonStore(t *testing.T, s *Store) {
	t.Helper()
	s.stop()
	<-s.done
	s.setDead()
	s.writeMu.Lock()
	s.closed = true
	s.writeMu.Unlock()
	s.j.finish(false)
	if err := s.closeFiles(); err != nil {
		t.Fatal(err)
	}
}

func TestFailedSyncIsWrittenAgain(t *testing.T) {
	for _, op := range []string{"write", "sync"} {
		for _, times := range []int{1, 2, 5} {
			t.Run(op, func(t *testing.T) {
				dir := t.TempDir()
				fs := &faultFS{}
				s := openTest(t, dir, Options{FS: fs, SyncEvery: never})
				g := register(t, s, testGroups())
				all := appendAll(t, s, stream(g, 1, startMS, 50))
				if err := s.Sync(); err != nil {
					t.Fatal(err)
				}
				safe := s.DurableSeq()
				if safe != s.LastSeq() {
					t.Fatalf("durable %d after a sync, last %d", safe, s.LastSeq())
				}
				fs.set(op, times)
				all = append(all, appendAll(t, s, stream(g, 2, startMS+50_000, 50))...)
				for failures := 0; ; failures++ {
					err := s.Sync()
					if err == nil {
						break
					}
					if !errors.Is(err, errInjected) || s.DurableSeq() != safe || s.Stats().SyncError == "" || failures > times {
						t.Fatalf("failure %d: %v, durable %d (was %d), stats %+v", failures, err, s.DurableSeq(), safe, s.Stats())
					}
				}
				if s.DurableSeq() != s.LastSeq() || s.Stats().SyncError != "" {
					t.Errorf("durable %d of %d after recovery, sync error %q", s.DurableSeq(), s.LastSeq(), s.Stats().SyncError)
				}
				abandonStore(t, s)
				again := openTest(t, dir, Options{})
				wantScans(t, readAll(t, again, ScanQuery{}), all)
				if e := damageEvents(t, again); len(e) > 0 {
					t.Errorf("damage reported: %q", e)
				}
			})
		}
	}
}

// A disk that stays full must not fill with file names, and the backlog in
// memory has its bound.
func TestFullDiskIsBounded(t *testing.T) {
	dir := t.TempDir()
	fs := &faultFS{}
	full := false
	s := openTest(t, dir, Options{FS: fs, SyncEvery: never, BacklogBytes: 4000, CommitFault: func(bool) error {
		if full { // a seal makes no room either
			return errInjected
		}
		return nil
	}})
	g := register(t, s, testGroups())
	fs.set("write", 1000)
	full = true
	scans := stream(g, 1, startMS, 500)
	taken := 0
	for i := range scans {
		err := s.Append(scans[i : i+1])
		if errors.Is(err, ErrBacklog) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		taken++
		if err := s.Sync(); err == nil {
			t.Fatal("sync succeeded on a full disk")
		}
	}
	if taken == 0 || taken == len(scans) {
		t.Fatalf("%d of %d taken: want a bound", taken, len(scans))
	}
	names, err := os.ReadDir(filepath.Join(dir, journalDir))
	if err != nil || len(names) > 3 {
		t.Errorf("%d journal files after %d failed syncs (%v)", len(names), taken, err)
	}
	fs.set("write", 0)
	full = false
	if err := s.Sync(); err != nil {
		t.Fatalf("after the disk was freed: %v", err)
	}
	if err := s.Append(scans[taken : taken+1]); err != nil {
		t.Errorf("after the disk was freed: %v", err)
	}
	if got := len(readAll(t, s, ScanQuery{})); got != taken+1 {
		t.Errorf("%d scans, want %d", got, taken+1)
	}
}

func damageEvents(t *testing.T, s *Store) []string {
	t.Helper()
	events, err := s.Events(0, 0, 0)
	if err != nil {
		t.Fatal(err)
	}
	var out []string
	for _, e := range events {
		if e.Kind == "data_damaged" {
			out = append(out, e.Text)
		}
	}
	return out
}

// lastJournal makes a stopped, unsealed store of n scans and returns its last
// journal file.
func lastJournal(t *testing.T, dir string, n int, o Options) (name string, all []scan.Scan) {
	t.Helper()
	o.SyncEvery = never
	o.Clock = newTestClock()
	s, err := Open(dir, o)
	if err != nil {
		t.Fatal(err)
	}
	g := register(t, s, testGroups())
	all = appendAll(t, s, stream(g, 3, startMS, n)[:n])
	if err := s.Sync(); err != nil {
		t.Fatal(err)
	}
	abandonStore(t, s)
	names, err := os.ReadDir(filepath.Join(dir, journalDir))
	if err != nil || len(names) == 0 {
		t.Fatalf("no journal: %v", err)
	}
	return filepath.Join(dir, journalDir, names[len(names)-1].Name()), all
}

func TestTornTailAtEveryByte(t *testing.T) {
	dir := t.TempDir()
	const n = 12
	name, all := lastJournal(t, dir, n, Options{})
	whole, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	lastRecord := 0
	for at := journalHead; at < len(whole); {
		_, body, ok := recordAt(whole, at)
		if !ok {
			t.Fatalf("record at %d does not read", at)
		}
		lastRecord = at
		at += recordHead + len(body)
	}
	for cut := lastRecord; cut < len(whole); cut++ {
		if err := os.WriteFile(name, whole[:cut], 0o644); err != nil {
			t.Fatal(err)
		}
		s, err := OpenReadOnly(dir, Options{})
		if err != nil {
			t.Fatalf("cut at %d: %v", cut, err)
		}
		wantScans(t, readAll(t, s, ScanQuery{}), all[:n-1])
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
	// and the writer goes on behind the tear, without a report of damage
	s := openTest(t, dir, Options{})
	if e := damageEvents(t, s); len(e) > 0 {
		t.Errorf("a torn tail is reported as damage: %q", e)
	}
	g := register(t, s, testGroups())
	more := appendAll(t, s, stream(g, 4, startMS+60_000, 5))
	wantScans(t, readAll(t, s, ScanQuery{}), append(all[:n-1:n-1], more...))
}

func TestDamageInTheMiddleIsNamed(t *testing.T) {
	tests := []struct {
		name   string
		damage func(t *testing.T, dir string, files []string)
		want   string
	}{
		{"flipped bit", func(t *testing.T, dir string, files []string) {
			b, err := os.ReadFile(files[0])
			if err != nil {
				t.Fatal(err)
			}
			at := journalHead
			for scans := 0; scans < 12; { // into a scan with others of its group around it
				typ, body, ok := recordAt(b, at)
				if !ok {
					t.Fatal("journal does not read")
				}
				if typ == recScan {
					scans++
				}
				at += recordHead + len(body)
			}
			b[at-2] ^= 4
			if err := os.WriteFile(files[0], b, 0o644); err != nil {
				t.Fatal(err)
			}
		}, "the readings of DEVICE from "},
		{"lost file", func(t *testing.T, dir string, files []string) {
			if err := os.Remove(files[1]); err != nil {
				t.Fatal(err)
			}
		}, "readings of one or more devices from "},
		{"truncated file", func(t *testing.T, dir string, files []string) {
			if err := os.Truncate(files[1], 60); err != nil {
				t.Fatal(err)
			}
		}, "readings of one or more devices from "},
		{"zeroed file", func(t *testing.T, dir string, files []string) {
			if err := os.WriteFile(files[1], make([]byte, 2000), 0o644); err != nil {
				t.Fatal(err)
			}
		}, "readings of one or more devices from "},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			dir := t.TempDir()
			s, err := Open(dir, Options{SyncEvery: never, SegmentBytes: 1500, Clock: newTestClock()})
			if err != nil {
				t.Fatal(err)
			}
			g := register(t, s, testGroups())
			var all []scan.Scan
			for i := range int64(10) {
				all = append(all, appendAll(t, s, stream(g, 3, startMS+i*10_000, 10))...)
				if err := s.Sync(); err != nil {
					t.Fatal(err)
				}
			}
			abandonStore(t, s)
			files, err := filepath.Glob(filepath.Join(dir, journalDir, "*.log"))
			if err != nil || len(files) < 4 {
				t.Fatalf("%d journal files, want several: %v", len(files), err)
			}
			tt.damage(t, dir, files)
			again := openTest(t, dir, Options{})
			events := damageEvents(t, again)
			want := strings.Replace(tt.want, "DEVICE", all[11].Group.Device, 1)
			if len(events) != 1 || !strings.HasPrefix(events[0], want) || !strings.HasSuffix(events[0], "a part of the journal is damaged or missing") {
				t.Fatalf("damage events %q, want one with %q", events, want)
			}
			got := readAll(t, again, ScanQuery{})
			if len(got) >= len(all) || len(got) < len(all)/3 || tt.name == "flipped bit" && len(got) != len(all)-1 {
				t.Fatalf("%d of %d scans left", len(got), len(all))
			}
			bySeq := map[uint64]*scan.Scan{}
			for i := range all {
				bySeq[all[i].Seq] = &all[i]
			}
			for i := range got {
				if w := bySeq[got[i].Seq]; w == nil || !sameScan(&got[i], w) {
					t.Fatalf("scan %d was never written: %+v", got[i].Seq, got[i])
				}
			}
		})
	}
}

func FuzzJournal(f *testing.F) {
	groups := testGroups()
	groups[0].ID = 1
	rec := &groupRecord{group: groups[0], version: 1, deviceNo: 1}
	b := appendJournalHead(nil, 1)
	b = appendRecord(b, recGroup, func(b []byte) []byte { return appendGroup(b, rec) })
	b = appendRecord(b, recSegment, func(b []byte) []byte { return appendSegment(b, &Segment{Number: 1, Why: "agent start"}) })
	for _, sc := range stream(groups[:1], 1, startMS, 3) {
		sc.Seq++
		b = appendRecord(b, recScan, func(b []byte) []byte { return appendScan(b, &sc) })
	}
	b = appendRecord(b, recEvent, func(b []byte) []byte {
		return appendEvent(b, &Event{Seq: 1, Kind: "note", Data: map[string]string{"a": "b"}})
	})
	f.Add(b)
	f.Add(b[:len(b)-3])
	f.Fuzz(func(t *testing.T, b []byte) {
		r := newReplayer(map[uint32]*groupRecord{}, marks{})
		r.file("x", 1, b)
		r.finish()
		for i := range r.out.scans {
			sc := &r.out.scans[i]
			if sc.Reason == scan.Good && len(sc.Values) != len(sc.Group.Channels) {
				t.Errorf("scan with %d values for %d channels", len(sc.Values), len(sc.Group.Channels))
			}
		}
		// past the checksums, straight into the bodies
		for typ := byte(recSegment); typ <= recEvent; typ++ {
			_ = r.record(typ, b) // an error is the right answer to nearly all input
		}
	})
}
