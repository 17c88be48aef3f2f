package store

import (
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"testing"

	bolt "go.etcd.io/bbolt"

	"loadscribe/agent/scan"
)

// counter is a Summariser that counts scans: a piece a run of sequence numbers
// in a cell, whose Delta is the number of scans and Entry/Exit the count before
// and after.
type counter struct {
	total   uint64
	first   uint64
	last    uint64
	from    uint64 // total at first
	start   int64
	segment uint32
	pieces  []Piece
	refuse  error
	resets  int
}

func (c *counter) Restore(state []byte) error {
	if c.refuse != nil && state != nil {
		return c.refuse
	}
	*c = counter{refuse: c.refuse, resets: c.resets}
	if state == nil {
		c.resets++
		return nil
	}
	c.total = binary.LittleEndian.Uint64(state)
	return nil
}

func (c *counter) Step(s *scan.Scan) {
	start := floorTo(s.WallMS, pieceMS)
	if c.first != 0 && (start != c.start || s.Segment != c.segment) {
		c.cut()
	}
	if c.first == 0 {
		c.first, c.from, c.start, c.segment = s.Seq, c.total, start, s.Segment
	}
	c.total++
	c.last = s.Seq
}

func (c *counter) cut() {
	if c.first == 0 {
		return
	}
	le := binary.LittleEndian
	c.pieces = append(c.pieces, Piece{Key: "comp1", StartMS: c.start, Segment: c.segment, FirstSeq: c.first, LastSeq: c.last,
		Version: 1, Config: "x", Entry: le.AppendUint64(nil, c.from), Delta: le.AppendUint64(nil, c.total-c.from), Exit: le.AppendUint64(nil, c.total)})
	c.first = 0
}

func (c *counter) Flush() ([]Piece, []byte) {
	c.cut()
	p := c.pieces
	c.pieces = nil
	return p, binary.LittleEndian.AppendUint64(nil, c.total)
}

// wantPieces checks that the pieces cover scans 1 to seq, each once, in order,
// with carries that fit.
func wantPieces(t *testing.T, s *Store, seq uint64) {
	t.Helper()
	pieces, err := s.Pieces("comp1", 0, 0)
	if err != nil {
		t.Fatal(err)
	}
	next := uint64(1)
	for _, p := range pieces {
		n := binary.LittleEndian.Uint64(p.Delta)
		if p.FirstSeq != next || p.LastSeq != next+n-1 || binary.LittleEndian.Uint64(p.Entry) != next-1 {
			t.Fatalf("piece %+v, want it to begin at %d", p, next)
		}
		next = p.LastSeq + 1
	}
	if next != seq+1 {
		t.Fatalf("pieces end at %d, want %d", next-1, seq)
	}
	if none, err := s.Pieces("comp", 0, 0); err != nil || len(none) != 0 {
		t.Errorf("%d pieces under another key, %v", len(none), err)
	}
}

func TestPiecesFollowTheScans(t *testing.T) {
	alone(t)
	dir := t.TempDir()
	open := func(sum Summariser) *Store {
		s, err := Open(dir, Options{Summariser: sum, SyncEvery: never, Clock: newTestClock()})
		if err != nil {
			t.Fatal(err)
		}
		return s
	}
	seconds := int64(0)
	write := func(s *Store, n int) {
		appendAll(t, s, stream(register(t, s, testGroups()), 1, startMS+seconds*1000, n))
		seconds += int64(n)
	}
	c := &counter{}
	s := open(c)
	write(s, 2*3600+700)
	wantPieces(t, s, s.SealedSeq())
	if err := s.Sync(); err != nil {
		t.Fatal(err)
	}
	abandonStore(t, s) // killed: the tail is in the journal only

	c = &counter{}
	s = open(c)
	if c.total != s.LastSeq() || c.resets != 0 {
		t.Errorf("after a restart the summariser has seen %d of %d scans (%d resets)", c.total, s.LastSeq(), c.resets)
	}
	write(s, 3600)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}

	s = open(nil) // without a summariser: its pieces lag behind
	write(s, 3700)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	c = &counter{}
	s = open(c)
	if c.total != s.LastSeq() || c.resets != 0 {
		t.Errorf("the summariser caught up to %d of %d (%d resets)", c.total, s.LastSeq(), c.resets)
	}
	wantPieces(t, s, s.SealedSeq())
	write(s, 100)
	last := s.LastSeq()
	abandonStore(t, s)

	c = &counter{refuse: errors.New("another version")} // all again from raw
	s = open(c)
	if c.total != last-uint64(lostTail(s, last)) || c.resets != 1 {
		t.Errorf("rebuilt over %d of %d scans, %d resets", c.total, last, c.resets)
	}
	wantPieces(t, s, s.SealedSeq())
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	checkIntegrity(t, dir)

	ro, err := OpenReadOnly(dir, Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer ro.Close()
	wantPieces(t, ro, ro.SealedSeq())
	from := startMS + 40*minuteMS
	some, err := ro.Pieces("comp1", from, from+20*minuteMS)
	if err != nil || len(some) != 2 || some[0].StartMS != startMS+30*minuteMS || some[1].StartMS != startMS+45*minuteMS {
		t.Errorf("pieces of a window: %+v, %v", some, err)
	}
}

// lostTail is the number of scans that an unsynced end cost: none was called
// safe.
func lostTail(s *Store, last uint64) int { return int(last - s.LastSeq()) }

func TestEventsComeBack(t *testing.T) {
	dir := t.TempDir()
	s := openTest(t, dir, Options{SyncEvery: never})
	g := register(t, s, testGroups())
	var want []Event
	put := func(at int64, text string) {
		e, err := s.AppendEvent(Event{WallMS: at, Kind: "note", Subject: "comp1", Text: text, Data: map[string]string{"by": text}})
		if err != nil {
			t.Fatal(err)
		}
		want = append(want, e)
	}
	for i := range int64(300) {
		put(startMS+i*600_000+1, fmt.Sprint(i)) // 50 hours, three days
	}
	appendAll(t, s, stream(g, 1, startMS, 3601)) // seals
	put(startMS+301*600_000, "unsealed")
	check := func(s *Store) {
		t.Helper()
		all, err := s.Events(startMS+1, 0, 0)
		if err != nil {
			t.Fatal(err)
		}
		got := all[:0]
		for _, e := range all {
			if e.Kind == "note" {
				got = append(got, e)
			}
		}
		if len(got) != len(want) {
			t.Fatalf("%d events, want %d", len(got), len(want))
		}
		for i := range got {
			if got[i].Seq != want[i].Seq || got[i].Text != want[i].Text || got[i].Data["by"] != want[i].Text || got[i].WallMS != want[i].WallMS {
				t.Fatalf("event %d: %+v, want %+v", i, got[i], want[i])
			}
		}
		last, err := s.Events(0, startMS+200*600_000, 5)
		if err != nil || len(last) != 5 || last[4].Text != "199" || last[0].Text != "195" {
			t.Errorf("the last five before a time: %+v, %v", last, err)
		}
	}
	check(s)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	check(openTest(t, dir, Options{}))
}

func TestDamagedDatabaseIsSetAside(t *testing.T) {
	alone(t)
	tests := []struct {
		name   string
		damage func(b []byte) []byte
		all    bool // every sealed scan can be saved
	}{
		{"both meta pages zeroed", func(b []byte) []byte { clear(b[:8192]); return b }, true},
		{"truncated to half", func(b []byte) []byte { return b[:len(b)/2] }, false},
		{"empty", func(b []byte) []byte { return nil }, false},
		{"text", func(b []byte) []byte { return []byte("this was a database once\n") }, false},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			dir := t.TempDir()
			s, err := Open(dir, Options{Clock: newTestClock(), SyncEvery: never})
			if err != nil {
				t.Fatal(err)
			}
			g := register(t, s, testGroups())
			all := appendAll(t, s, stream(g, 1, startMS, 4*3600+100))
			if _, err := s.AppendEvent(Event{Kind: "note", Text: "kept"}); err != nil {
				t.Fatal(err)
			}
			if err := s.Sync(); err != nil {
				t.Fatal(err)
			}
			sealed := s.SealedSeq()
			series, err := s.Series("controller.pressure", startMS, startMS+4*hourMS, 50)
			if err != nil {
				t.Fatal(err)
			}
			abandonStore(t, s)
			name := filepath.Join(dir, databaseName)
			b, err := os.ReadFile(name)
			if err != nil {
				t.Fatal(err)
			}
			b = tt.damage(b)
			if err := os.WriteFile(name, b, 0o644); err != nil {
				t.Fatal(err)
			}
			again := openTest(t, dir, Options{})
			if e := damageEvents(t, again); len(e) == 0 {
				t.Error("no data_damaged event")
			}
			aside, err := filepath.Glob(name + ".damaged-*")
			if err != nil || len(aside) != 1 {
				t.Fatalf("set aside: %v, %v", aside, err)
			}
			if kept, err := os.ReadFile(aside[0]); err != nil || string(kept) != string(b) {
				t.Errorf("the damaged file was changed: %v", err)
			}
			got := readAll(t, again, ScanQuery{})
			bySeq := map[uint64]scan.Scan{}
			for _, sc := range all {
				bySeq[sc.Seq] = sc
			}
			for i := range got {
				w := bySeq[got[i].Seq]
				if w.Group == nil || !sameScan(&got[i], &w) {
					t.Fatalf("scan %d was never written: %+v", got[i].Seq, got[i])
				}
			}
			tail := len(all) - int(sealed)
			if len(got) < tail || tt.all && len(got) != len(all) {
				t.Errorf("%d of %d scans saved, %d of them in the journal", len(got), len(all), tail)
			}
			if !tt.all {
				return
			}
			if s2, err := again.Series("controller.pressure", startMS, startMS+4*hourMS, 50); err != nil || len(s2.Cells) != len(series.Cells) || s2.Cells[3] != series.Cells[3] {
				t.Errorf("series after the rescue: %d cells, %v", len(s2.Cells), err)
			}
		})
	}
}

// A damaged block costs its hour; all else is read, and the loss is named.
func TestDamagedBlockIsNamed(t *testing.T) {
	dir := t.TempDir()
	s, err := Open(dir, Options{Clock: newTestClock(), SyncEvery: never})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	g := register(t, s, testGroups())
	all := appendAll(t, s, stream(g, 1, startMS, 3*3600+100))
	var victim blockRef
	err = s.db.Update(func(tx *bolt.Tx) error {
		refs, err := findBlocks(tx, ScanQuery{Devices: nil}, map[uint32]bool{s.devices["meter"]: true})
		if err != nil {
			return err
		}
		victim = refs[1]
		value, err := readBlock(tx, victim)
		if err != nil {
			return err
		}
		value[len(value)/2] ^= 1
		h := blockHead{hour: victim.hour, deviceNo: victim.deviceNo, firstSeq: victim.firstSeq, lastSeq: victim.lastSeq}
		return dayBucket(tx, bucketBlocks, dayOf(victim.hour)).Put(blockKey(&h), value)
	})
	if err != nil {
		t.Fatal(err)
	}
	var want []scan.Scan
	for _, sc := range all {
		if sc.Group.Device != "meter" || sc.Seq < victim.firstSeq || sc.Seq > victim.lastSeq {
			want = append(want, sc)
		}
	}
	for range 2 {
		wantScans(t, readAll(t, s, ScanQuery{}), want)
	}
	if e := damageEvents(t, s); len(e) != 1 {
		t.Errorf("damage events %q, want one", e)
	}
}

// Readers run beside the writer and see whole, ordered data.
func TestReadersBesideTheWriter(t *testing.T) {
	s := openTest(t, t.TempDir(), Options{Summariser: &counter{}})
	groups := register(t, s, testGroups())
	var wg sync.WaitGroup
	done := make(chan struct{})
	reader := func(read func() error) {
		wg.Go(func() {
			for {
				select {
				case <-done:
					return
				default:
				}
				if err := read(); err != nil {
					t.Error(err)
					return
				}
			}
		})
	}
	reader(func() error {
		next := uint64(1)
		return s.Scans(ScanQuery{}, func(sc *scan.Scan) error {
			if sc.Seq != next {
				return fmt.Errorf("scan %d where %d comes next", sc.Seq, next)
			}
			next++
			return nil
		})
	})
	last := int64(0)
	reader(func() error {
		// cells and tail must add up at every moment: the count never falls
		got, err := s.Series("meter.amps", startMS, startMS+24*hourMS, 30)
		n := int64(0)
		for _, c := range got.Cells {
			n += c.Count
		}
		if n < last {
			return fmt.Errorf("count fell from %d to %d", last, n)
		}
		last = n
		return err
	})
	reader(func() error { _, err := s.Events(0, 0, 10); _ = s.Stats(); return err })
	reader(func() error { _, err := s.AppendEvent(Event{Kind: "note"}); return errors.Join(err, s.Sync()) })
	for i := range int64(8) {
		appendAll(t, s, stream(groups, uint64(i), startMS+i*1800_000, 1800))
	}
	close(done)
	wg.Wait()
	wantPieces(t, s, s.SealedSeq())
}
