package store

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"loadscribe/agent/scan"
)

// allValues are the values of a closed store's tree, by bucket.
func allValues(t *testing.T, name string) map[string][]treeValue {
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
	all := map[string][]treeValue{}
	w := pageWalk{f: f, size: info.Size(), visit: func(top, inner string, key []byte, at, n int64) error {
		all[top] = append(all[top], treeValue{top, inner, string(key), at, n})
		return nil
	}}
	if err := w.run(); err != nil {
		t.Fatal(err)
	}
	return all
}

// describedStore is a closed store of two devices, 30 hours, two segments of
// which the first is shifted, notes and a text. It is compacted, so that each
// value is in the file once.
func describedStore(t *testing.T) (dir, hash string) {
	t.Helper()
	dir = t.TempDir()
	s, err := Open(dir, Options{Clock: &testClock{mono: 1000, wall: 12_000}, SyncEvery: never, Summariser: &counter{}})
	if err != nil {
		t.Fatal(err)
	}
	g := register(t, s, testGroups())
	appendAll(t, s, []scan.Scan{scanAt(g[2], 2000, 13_000)})
	appendAll(t, s, []scan.Scan{scanAt(g[2], 3000, startMS+3000)})
	for i := range int64(30) {
		appendAll(t, s, stream(g, uint64(i), startMS+10_000+i*hourMS, 20))
		if _, err := s.AppendEvent(Event{Kind: "note", WallMS: startMS + i*hourMS, Text: fmt.Sprint("note ", i)}); err != nil {
			t.Fatal(err)
		}
	}
	if hash, err = s.PutText([]byte("site file")); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if _, _, err := Compact(dir, Options{}); err != nil {
		t.Fatal(err)
	}
	return dir, hash
}

// contents is what a store gives to its readers.
type contents struct {
	scans  []scan.Scan
	notes  []string
	pieces uint64
	text   bool
	groups string
	shifts string
}

func contentsOf(t *testing.T, s *Store, hash string) (c contents) {
	t.Helper()
	c.scans = readAll(t, s, ScanQuery{})
	events, err := s.Events(0, 0, 0)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range events {
		if e.Kind == "note" {
			c.notes = append(c.notes, e.Text)
		}
	}
	text, err := s.Text(hash)
	c.text = err == nil && string(text) == "site file"
	c.pieces = scansInPieces(t, s)
	for _, g := range s.Groups() {
		c.groups += fmt.Sprintf("%d %s %s %+v\n", g.ID, g.Device, g.Name, g.Channels)
	}
	for _, seg := range s.Segments()[:2] {
		c.shifts += fmt.Sprintf("%+v\n", seg)
	}
	return c
}

// One flipped byte costs what the value it lies in holds and no more: a block
// its scans, a list of events its events, a text itself, anything else nothing.
// The values of each bucket are taken in turn: its first, middle and last.
func TestOneByteCostsItsOwnValue(t *testing.T) {
	alone(t)
	base, hash := describedStore(t)
	s, err := OpenReadOnly(base, Options{})
	if err != nil {
		t.Fatal(err)
	}
	want := contentsOf(t, s, hash)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	values := allValues(t, filepath.Join(base, databaseName))
	var kept []treeValue
	for _, name := range copyBuckets() {
		kept = append(kept, values[name]...)
	}
	for _, bucket := range append(copyBuckets(), bucketGroups, bucketSegments, bucketBlocks, bucketCells, bucketPieces, bucketEvents, bucketTexts) {
		list := values[bucket]
		if len(list) == 0 {
			t.Errorf("bucket %s has no value", bucket)
			continue
		}
		picked := map[int]bool{0: true, len(list) / 2: true, len(list) - 1: true}
		for i := range list {
			if !picked[i] && bucket != bucketGroups && bucket != bucketSegments {
				continue
			}
			t.Run(fmt.Sprint(bucket, " ", i), func(t *testing.T) { flipOne(t, base, hash, list[i], kept, &want) })
		}
	}
}

func flipOne(t *testing.T, base, hash string, v treeValue, kept []treeValue, want *contents) {
	dir := copyDir(t, base)
	name := filepath.Join(dir, databaseName)
	b, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	// old ones on free pages too, so that they are no help; the copies stay
	value := slices.Clone(b[v.at : v.at+v.n])
	for i := bytes.Index(b, value); i >= 0 && !slices.Contains(copyBuckets(), v.top); {
		if !slices.ContainsFunc(kept, func(c treeValue) bool { return int64(i) > c.at && int64(i) < c.at+c.n }) {
			b[int64(i)+v.n/2] ^= 8
		}
		next := bytes.Index(b[i+1:], value)
		if next < 0 {
			break
		}
		i += 1 + next
	}
	if slices.Contains(copyBuckets(), v.top) {
		b[v.at+envelopeSize+5] ^= 8
	}
	if err := os.WriteFile(name, b, 0o644); err != nil {
		t.Fatal(err)
	}
	s := openTest(t, dir, Options{Summariser: &counter{}, Clock: &testClock{mono: 1000, wall: startMS + 2*dayMS}})
	if e := damageEvents(t, s); len(e) == 0 || len(e) > 2 {
		t.Errorf("events %q, want one of the file and one of a loss at most", e)
	}
	got := contentsOf(t, s, hash)
	lost := uint64(0)
	wantScans := want.scans
	if v.top == bucketBlocks {
		ref := refOf([]byte(v.key))
		device := ""
		for d, no := range s.devices {
			if no == ref.deviceNo {
				device = d
			}
		}
		wantScans = slices.DeleteFunc(slices.Clone(wantScans), func(sc scan.Scan) bool {
			return sc.Group.Device == device && sc.Seq >= ref.firstSeq && sc.Seq <= ref.lastSeq
		})
		lost = uint64(len(want.scans) - len(wantScans))
	}
	if !slices.EqualFunc(got.scans, wantScans, func(a, b scan.Scan) bool { return sameScan(&a, &b) }) {
		t.Errorf("%d scans of %d are there, want %d", len(got.scans), len(want.scans), len(wantScans))
	}
	// a piece reaches over the numbers of a hole in it
	if got.pieces > want.pieces || got.pieces < want.pieces-lost {
		t.Errorf("summaries of %d scans, want %d", got.pieces, want.pieces)
	}
	gone := len(want.notes) - len(got.notes)
	if v.top == bucketEvents && gone > 1 || v.top != bucketEvents && gone != 0 { // a value is an hour's, a note each
		t.Errorf("%d notes are lost", gone)
	}
	if got.text != (v.top != bucketTexts) {
		t.Errorf("the text is there: %v", got.text)
	}
	if got.groups != want.groups || got.shifts != want.shifts {
		t.Errorf("groups %s\nwant %s\nsegments %s\nwant %s", got.groups, want.groups, got.shifts, want.shifts)
	}
}

// A compacted file that was cut short gives what is before the cut, and one
// that lost its beginning what is behind it: both find descriptions there.
func TestCutFileKeepsItsDescriptions(t *testing.T) {
	alone(t)
	base, _ := describedStore(t)
	all, err := os.ReadFile(filepath.Join(base, databaseName))
	if err != nil {
		t.Fatal(err)
	}
	blocks := allValues(t, filepath.Join(base, databaseName))[bucketBlocks]
	for _, percent := range []int{20, 40, 60, 80, -20, -60} {
		dir := copyDir(t, base)
		b, end, from := slices.Clone(all), len(all), 0
		if percent > 0 {
			end = len(all) * percent / 100
		} else {
			from = len(all) * -percent / 100
			clear(b[:from])
		}
		if err := os.WriteFile(filepath.Join(dir, databaseName), b[:end], 0o644); err != nil {
			t.Fatal(err)
		}
		want := 0
		for _, v := range blocks {
			if v.at >= int64(from) && v.at+v.n <= int64(end) {
				want++
			}
		}
		s := openTest(t, dir, Options{Clock: &testClock{mono: 1000, wall: startMS + 2*dayMS}})
		if st := s.Stats(); st.Blocks != int64(want) {
			t.Errorf("cut at %d %%: %d blocks of %d, want %d", percent, st.Blocks, len(blocks), want)
		}
		if n := len(readAll(t, s, ScanQuery{})); want > 0 && n == 0 {
			t.Errorf("cut at %d %%: no scan of %d blocks can be read", percent, want)
		}
	}
}

// A store.db that was deleted after a clean stop is told, a new directory is not.
func TestDeletedDatabaseIsTold(t *testing.T) {
	dir := storeOf(t, 10, 1000)
	if e := damageEvents(t, openTest(t, t.TempDir(), Options{})); len(e) != 0 {
		t.Errorf("a new store tells %q", e)
	}
	for _, name := range []string{databaseName, journalDir} {
		if err := os.RemoveAll(filepath.Join(dir, name)); err != nil {
			t.Fatal(err)
		}
	}
	s := openTest(t, dir, Options{})
	if e := damageEvents(t, s); len(e) != 1 || !strings.Contains(e[0], "its record is gone and a new one began") {
		t.Errorf("events %q, want one of the missing record", e)
	}
}

// Days of one device that are lost are one event, and no other device is named.
func TestOneLossForDevicesAndSpans(t *testing.T) {
	dir, _ := describedStore(t)
	name := filepath.Join(dir, databaseName)
	b, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for _, v := range allValues(t, name)[bucketBlocks] {
		if ref := refOf([]byte(v.key)); ref.deviceNo == 1 && ref.hour >= hourOf(startMS)+5 && ref.hour < hourOf(startMS)+15 {
			b[v.at+v.n/2] ^= 4
			n++
		}
	}
	if err := os.WriteFile(name, b, 0o644); err != nil || n != 10 {
		t.Fatal(n, err)
	}
	s := openTest(t, dir, Options{Clock: &testClock{mono: 1000, wall: startMS + 2*dayMS}})
	if e := damageEvents(t, s); len(e) != 2 || e[1] != "the readings of controller from 2026-03-02 11:00 to 2026-03-02 21:00 UTC are lost: "+whyDamaged {
		t.Errorf("events %q, want one of the file and one of ten hours", e)
	}
}
