package store

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"reflect"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	bolt "go.etcd.io/bbolt"

	"loadscribe/agent/scan"
	"loadscribe/testdata/peers"
)

// damaged is a store of some hours, part sealed, part in the journal, as a
// killed agent leaves it.
type damaged struct {
	files map[string][]byte
	all   map[uint64]scan.Scan
	notes map[uint64]string
}

func makeDamaged(t *testing.T) *damaged {
	t.Helper()
	dir := t.TempDir()
	s, err := Open(dir, Options{Clock: newTestClock(), SyncEvery: never, SegmentBytes: 2500, Summariser: &counter{}})
	if err != nil {
		t.Fatal(err)
	}
	d := &damaged{all: map[uint64]scan.Scan{}, notes: map[uint64]string{}}
	g := register(t, s, cutGroups("psi"))
	scans := stream(g, 5, startMS, 30*3600+3500)
	for len(scans) > 0 {
		n := min(40, len(scans))
		for _, sc := range appendAll(t, s, scans[:n]) {
			d.all[sc.Seq] = sc
		}
		scans = scans[n:]
		if _, err := s.AppendEvent(Event{Kind: "note", WallMS: d.all[s.LastSeq()].WallMS, Text: fmt.Sprint("note ", len(scans))}); err != nil {
			t.Fatal(err)
		}
		if err := s.Sync(); err != nil {
			t.Fatal(err)
		}
	}
	events, err := s.Events(0, 0, 0)
	if err != nil {
		t.Fatal(err)
	}
	for i := range events {
		d.notes[events[i].Seq] = eventText(&events[i])
	}
	abandonStore(t, s)
	d.files = readTree(dir)
	return d
}

// put writes the files into a new directory.
func (d *damaged) put(t *testing.T, change func(files map[string][]byte)) (dir string) {
	t.Helper()
	dir = t.TempDir()
	files := map[string][]byte{}
	for name, b := range d.files {
		files[name] = slices.Clone(b)
	}
	change(files)
	if err := os.Mkdir(filepath.Join(dir, journalDir), 0o755); err != nil {
		t.Fatal(err)
	}
	for name, b := range files {
		if err := os.WriteFile(filepath.Join(dir, name), b, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

// check opens a damaged store and sees that all that is read was written, that
// what is missing was told with device and time, that no more than mostLost
// scans are missing, that memory stays bounded, and that one can go on.
func (d *damaged) check(t *testing.T, dir string, mostLost int) {
	t.Helper()
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	s := openTest(t, dir, Options{Summariser: &counter{}})
	got := readAll(t, s, ScanQuery{})
	runtime.ReadMemStats(&after)
	if used := after.TotalAlloc - before.TotalAlloc; used > 400<<20 {
		t.Errorf("%d MB were allocated", used>>20)
	}
	have := map[uint64]bool{}
	for i := range got {
		w, ok := d.all[got[i].Seq]
		if !ok || !sameScan(&got[i], &w) {
			t.Fatalf("scan %d was never written: %+v", got[i].Seq, got[i])
		}
		have[got[i].Seq] = true
	}
	if missing := len(d.all) - len(got); missing > mostLost {
		t.Errorf("%d of %d scans are lost, want %d at most", missing, len(d.all), mostLost)
	}
	events, err := s.Events(0, 0, 0)
	if err != nil {
		t.Fatal(err)
	}
	for i := range events {
		if w, ok := d.notes[events[i].Seq]; ok && events[i].Kind == "note" && w != eventText(&events[i]) {
			t.Fatalf("event %d is not as written: %+v", events[i].Seq, events[i])
		}
	}
	unnamed := 0
	for seq, sc := range d.all {
		if !have[seq] && !slices.ContainsFunc(events, func(e Event) bool { return names(e, &sc) }) {
			unnamed++
		}
	}
	if unnamed > 0 {
		t.Errorf("%d lost scans are named by no event; there are %q", unnamed, damageEvents(t, s))
	}
	more := appendAll(t, s, stream(register(t, s, cutGroups("psi")), 9, startMS+40*hourMS, 100))
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	again, err := OpenReadOnly(dir, Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer again.Close()
	wantScans(t, readAll(t, again, ScanQuery{}), append(got, more...))
}

// names reports whether an event tells of the loss of a scan, by device and
// time.
func names(e Event, sc *scan.Scan) bool {
	if e.Kind != "data_damaged" || e.Subject != sc.Group.Device &&
		(e.Subject != "" || !slices.Contains(strings.Split(e.Data["devices"], ", "), sc.Group.Device)) {
		return false
	}
	at := time.UnixMilli(sc.WallMS)
	from, ferr := time.Parse(time.RFC3339, e.Data["from"])
	to, terr := time.Parse(time.RFC3339, e.Data["to"])
	return (e.Data["from"] == "" || ferr == nil && !at.Before(from)) && terr == nil && !at.After(to.Add(time.Second))
}

func TestDamage(t *testing.T) {
	alone(t)
	d := makeDamaged(t)
	logs := make([]string, 0, len(d.files))
	for name := range d.files {
		if strings.HasPrefix(name, journalDir) {
			logs = append(logs, name)
		}
	}
	slices.Sort(logs)
	if len(logs) < 4 {
		t.Fatalf("%d journal files, want several", len(logs))
	}
	everything := len(d.all)
	page := os.Getpagesize()
	tests := []struct {
		name     string
		change   func(files map[string][]byte)
		mostLost int
	}{
		{"nothing", func(map[string][]byte) {}, 0},
		{"first head zeroed", func(f map[string][]byte) { clear(f[databaseName][:page]) }, 0},
		{"second head zeroed", func(f map[string][]byte) { clear(f[databaseName][page : 2*page]) }, 0},
		{"both heads zeroed", func(f map[string][]byte) { clear(f[databaseName][:2*page]) }, 0},
		{"database missing", func(f map[string][]byte) { delete(f, databaseName) }, everything},
		{"database empty", func(f map[string][]byte) { f[databaseName] = nil }, everything},
		{"database one byte", func(f map[string][]byte) { f[databaseName] = []byte{7} }, everything},
		{"database zeroed", func(f map[string][]byte) { clear(f[databaseName]) }, everything},
		{"database cut to one page", func(f map[string][]byte) { f[databaseName] = f[databaseName][:page] }, everything},
		{"database cut in half", func(f map[string][]byte) { f[databaseName] = f[databaseName][:len(f[databaseName])/2] }, everything},
		{"lost segment", func(f map[string][]byte) { delete(f, logs[1]) }, 300},
		{"cut segment", func(f map[string][]byte) { f[logs[1]] = f[logs[1]][:900] }, 300},
		{"zeroed segment", func(f map[string][]byte) { clear(f[logs[1]]) }, 300},
		{"no journal", func(f map[string][]byte) {
			for _, name := range logs {
				delete(f, name)
			}
		}, everything},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			dir := d.put(t, tt.change)
			if tt.name == "no journal" || strings.HasPrefix(tt.name, "database") {
				d.checkTail(t, dir)
				return
			}
			d.check(t, dir, tt.mostLost)
		})
	}
}

// checkTail is check where what is lost lies at an end: nothing that is left
// can tell how far it reached, so it need not be named.
func (d *damaged) checkTail(t *testing.T, dir string) {
	t.Helper()
	s := openTest(t, dir, Options{Summariser: &counter{}})
	for _, sc := range readAll(t, s, ScanQuery{}) {
		if w, ok := d.all[sc.Seq]; !ok || !sameScan(&sc, &w) {
			t.Fatalf("scan %d was never written: %+v", sc.Seq, sc)
		}
	}
	more := appendAll(t, s, stream(register(t, s, cutGroups("psi")), 9, startMS+40*hourMS, 100))
	if got := readAll(t, s, ScanQuery{FromSeq: more[0].Seq}); len(got) != len(more) {
		t.Errorf("after going on %d scans, want %d", len(got), len(more))
	}
}

// TestFlippedBits flips bits all over the files, one at a time, and zeroes
// pages. LOADSCRIBE_LONG=1 makes it 5,000.
func TestFlippedBits(t *testing.T) {
	alone(t)
	d := makeDamaged(t)
	n := 120
	if os.Getenv(longEnv) != "" {
		n = 5000
	}
	var names []string
	for name := range d.files {
		names = append(names, name)
	}
	slices.Sort(names)
	for i := range n {
		r := rand.New(rand.NewPCG(uint64(i), 11))
		name := databaseName
		if i%4 == 3 {
			name = names[r.IntN(len(names))]
		}
		b := d.files[name]
		at := r.IntN(len(b))
		if name == databaseName && i%2 == 0 { // among the heads of pages and their first keys
			at = at/os.Getpagesize()*os.Getpagesize() + r.IntN(200)
		}
		bit, zero := byte(1)<<r.IntN(8), i%5 == 4 && name == databaseName
		t.Run(fmt.Sprintf("%d %s byte %d bit %d zero %v", i, filepath.Base(name), at, bit, zero), func(t *testing.T) {
			dir := d.put(t, func(files map[string][]byte) {
				if zero {
					at = at / os.Getpagesize() * os.Getpagesize()
					clear(files[name][at:min(len(b), at+os.Getpagesize())])
					return
				}
				files[name][at] ^= bit
			})
			d.check(t, dir, 1000)
		})
	}
}

// A circle in the tree, entries beyond the page, and pages that claim to be
// huge must be found before bbolt follows them.
func TestTreeThatLies(t *testing.T) {
	alone(t)
	d := makeDamaged(t)
	page := os.Getpagesize()
	ne := binary.NativeEndian
	whole := d.files[databaseName]
	var branch, leaf int
	for at := 2 * page; at+page <= len(whole); at += page {
		switch ne.Uint16(whole[at+8:]) {
		case flagBranch:
			branch = at
		case flagLeaf:
			if ne.Uint16(whole[at+10:]) > 1 && ne.Uint64(whole[at:]) == uint64(at/page) {
				leaf = at
			}
		}
	}
	if leaf == 0 {
		t.Fatal("no leaf in the file")
	}
	tests := []struct {
		name   string
		change func(b []byte)
		needs  int
	}{
		{"circle", func(b []byte) { ne.PutUint64(b[branch+pageHeadBytes+8:], uint64(branch/page)) }, branch},
		{"key far away", func(b []byte) { ne.PutUint32(b[leaf+pageHeadBytes+4:], 1<<31) }, leaf},
		{"value without end", func(b []byte) { ne.PutUint32(b[leaf+pageHeadBytes+12:], 1<<31) }, leaf},
		{"many entries", func(b []byte) { ne.PutUint16(b[leaf+10:], 0xFFFF) }, leaf},
		{"long page", func(b []byte) { ne.PutUint32(b[leaf+12:], 1<<30) }, leaf},
		{"another's number", func(b []byte) { ne.PutUint64(b[leaf:], 1) }, leaf},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			if tt.needs == 0 {
				peers.Missing(t, "no branch page in the file: give it more values")
			}
			dir := d.put(t, func(files map[string][]byte) { tt.change(files[databaseName]) })
			d.check(t, dir, 0)
		})
	}
}

// What cannot be made again from readings, since those were dropped, comes over
// into the new file: cells and pieces of days before the first readings, and
// values that this version does not know.
func TestSalvageKeepsWhatHasNoReadings(t *testing.T) {
	alone(t)
	d := makeDamaged(t)
	dir := d.put(t, func(map[string][]byte) {})
	s := openTest(t, dir, Options{Summariser: &counter{}})
	day := dayOf(hourOf(startMS))
	before, err := s.Pieces("comp1", startMS, (day+1)*dayMS)
	if err != nil || len(before) == 0 {
		t.Fatalf("%d pieces, %v", len(before), err)
	}
	series, err := s.Series("controller.pressure", startMS, (day+1)*dayMS, 100)
	if err != nil || len(series.Cells) < 10 {
		t.Fatalf("%d cells, %v", len(series.Cells), err)
	}
	first := get64(dayKey(day + 1))
	err = s.db.Update(func(tx *bolt.Tx) error {
		if err := tx.Bucket([]byte(bucketBlocks)).DeleteBucket(dayKey(day)); err != nil {
			return err
		}
		if err := putMetaUint(tx, metaRawFrom, uint64((day+1)*dayMS)); err != nil {
			return err
		}
		b, err := tx.CreateBucket([]byte("later"))
		if err != nil {
			return err
		}
		return b.Put([]byte("key"), wrap(nil, 99, []byte("of a later version")))
	})
	if err != nil {
		t.Fatal(err)
	}
	var victim blockRef
	err = s.view(func(tx *bolt.Tx) error {
		refs, err := findBlocks(tx, ScanQuery{}, nil)
		victim = refs[len(refs)-1]
		return err
	})
	if err != nil || dayOf(victim.hour) != first {
		t.Fatalf("block %+v, %v", victim, err)
	}
	value, err := s.fetchBlock(victim)
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	name := filepath.Join(dir, databaseName)
	b, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	copies := 0 // free pages may hold others
	for at := bytes.Index(b, value); at >= 0; at = bytes.Index(b, value) {
		b[at+len(value)/2] ^= 16
		copies++
	}
	if copies == 0 {
		t.Fatal("the block is not in the file")
	}
	if err := os.WriteFile(name, b, 0o644); err != nil {
		t.Fatal(err)
	}
	again := openTest(t, dir, Options{Summariser: &counter{}})
	if e := damageEvents(t, again); len(e) < 2 {
		t.Errorf("events %q, want the file and the block", e)
	}
	if got := again.RawFrom(); got != (day+1)*dayMS {
		t.Errorf("raw readings from %d, want %d", got, (day+1)*dayMS)
	}
	after, err := again.Pieces("comp1", startMS, (day+1)*dayMS)
	if err != nil || !reflect.DeepEqual(after, before) {
		t.Errorf("%d pieces of the day without readings, want %d: %v", len(after), len(before), err)
	}
	kept, err := again.Series("controller.pressure", startMS, (day+1)*dayMS, 100)
	if err != nil || !slices.Equal(kept.Cells, series.Cells) {
		t.Errorf("%d cells of the day without readings, want %d: %v", len(kept.Cells), len(series.Cells), err)
	}
	err = again.view(func(tx *bolt.Tx) error {
		if b := tx.Bucket([]byte("later")); b == nil || len(b.Get([]byte("key"))) == 0 {
			t.Error("the value of a later version is gone")
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}
