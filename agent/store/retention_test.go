package store

import (
	"bytes"
	"errors"
	"fmt"
	"math/rand/v2"
	"testing"

	bolt "go.etcd.io/bbolt"

	"loadscribe/agent/scan"
)

const (
	keptDays   = 7
	droppedDay = 2 // one whose scans the test remembers
)

// dayOfScans is a day of a scan every 2 s, four channels of 10 bits of noise:
// raw readings that outweigh what is made from them.
func dayOfScans(g *scan.Group, r *rand.Rand, day int64) []scan.Scan {
	all := make([]scan.Scan, 0, 43_200)
	for i := range int64(43_200) {
		at := day*dayMS + i*2000
		values := make([]int64, len(g.Channels))
		for c := range values {
			values[c] = r.Int64N(1024)
		}
		all = append(all, scan.Scan{Group: g, WallMS: startOfDays + at, MonoMS: 1000 + at, DurationMS: 20, Values: values})
	}
	return all
}

// startOfDays is a midnight of UTC.
const startOfDays = startMS - 6*hourMS

func appendDay(t *testing.T, s *Store, scans []scan.Scan) {
	t.Helper()
	for len(scans) > 0 {
		n := min(512, len(scans))
		if err := s.Append(scans[:n:n]); err != nil {
			t.Fatal(err)
		}
		scans = scans[n:]
	}
}

// bytesByUse is what the pages of the buckets take that are kept for good, and
// all the rest of the file: raw blocks, free pages, and the tree's top.
func bytesByUse(t *testing.T, s *Store) (lasting, rest int64) {
	t.Helper()
	err := s.view(func(tx *bolt.Tx) error {
		for _, name := range []string{bucketCells, bucketPieces, bucketEvents, bucketLeaves} {
			if b := tx.Bucket([]byte(name)); b != nil {
				st := b.Stats()
				lasting += int64(st.LeafAlloc + st.BranchAlloc)
			}
		}
		rest = tx.Size() - lasting
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return lasting, rest
}

// Thirty days are recorded and seven kept. What raw readings take is the same
// on every day from then on: freed pages are used again. Of what was dropped
// the hashes are there, the summaries, and the cells of a minute.
func TestThirtyDaysWithSevenKept(t *testing.T) {
	if testing.Short() {
		t.Skip("1.3 million scans")
	}
	dir := t.TempDir()
	s := openTest(t, dir, Options{Summariser: &counter{}})
	g := register(t, s, []*scan.Group{{Device: "d", Name: "2s", PeriodMS: 2000, Channels: []scan.Channel{
		intChannel("d", "a"), intChannel("d", "b"), intChannel("d", "c"), intChannel("d", "e")}}})[0]
	r := rand.New(rand.NewPCG(30, 7))
	var remembered []scan.Scan
	var hashes []byte
	early, total := int64(0), uint64(0)
	for day := range int64(30) {
		scans := dayOfScans(g, r, day)
		total += uint64(len(scans))
		if day == droppedDay {
			remembered = clones(scans)
		}
		appendDay(t, s, scans)
		if day == droppedDay+1 {
			hashes = hashesOf(t, s, droppedDay)
		}
		for more := true; more; {
			var err error
			if _, more, err = s.DropRawDay(keptDays); err != nil {
				t.Fatal(err)
			}
		}
		lasting, rest := bytesByUse(t, s)
		switch {
		case day == keptDays+3:
			early = rest
		case day > keptDays+3 && rest > early+early/5: // bbolt picks free pages by chance; without a plateau it would be more than twice
			t.Fatalf("day %d: raw readings and free pages take %d bytes, %d on day %d: no plateau", day, rest, early, keptDays+3)
		}
		if day == 29 {
			t.Logf("day 30: %d bytes for raw readings and free pages (%d on day 11), %d for what is kept for good", rest, early, lasting)
		}
	}
	st := s.Stats()
	if s.RecordFrom() != startOfDays {
		t.Errorf("the record is said to begin at %s, want %s, of which the summaries are kept", stamp(s.RecordFrom()), stamp(startOfDays))
	}
	if want := startOfDays + 22*dayMS; s.RawFrom() != want || st.OldestMS != want {
		t.Errorf("raw from %s, oldest scan %s, want both %s", stamp(s.RawFrom()), stamp(st.OldestMS), stamp(want))
	}
	if st.Cleanup.Days != 22 || st.Cleanup.Error != "" || st.Blocks != 24*8-1 {
		t.Errorf("%d days dropped, error %q, %d blocks kept; want 22, none, %d", st.Cleanup.Days, st.Cleanup.Error, st.Blocks, 24*8-1)
	}
	wantDroppedDay(t, s, remembered, hashes)
	wantCounted(t, s, total)
}

// hashesOf are the hashes in the heads of a day's blocks, in order.
func hashesOf(t *testing.T, s *Store, day int64) (all []byte) {
	t.Helper()
	err := s.view(func(tx *bolt.Tx) error {
		return dayBucket(tx, bucketBlocks, (startOfDays+day*dayMS)/dayMS).ForEach(func(_, v []byte) error {
			h, err := openBlock(v)
			if err == nil {
				for i := range h.groups {
					all = append(all, h.groups[i].hashes...)
				}
			}
			return err
		})
	})
	if err != nil || len(all) == 0 {
		t.Fatalf("%d bytes of hashes, %v", len(all), err)
	}
	return all
}

// wantDroppedDay holds what stays of a dropped day against its scans.
func wantDroppedDay(t *testing.T, s *Store, scans []scan.Scan, hashes []byte) {
	t.Helper()
	from := startOfDays + droppedDay*dayMS
	n := 0
	if err := s.Scans(ScanQuery{FromMS: from, ToMS: from + dayMS}, func(*scan.Scan) error { n++; return nil }); err != nil || n > 0 {
		t.Errorf("%d raw scans of the dropped day, %v", n, err)
	}
	// A leaf is read as FORMAT.md says.
	err := s.view(func(tx *bolt.Tx) error {
		body, err := unwrap(tx.Bucket([]byte(bucketLeaves)).Get(dayKey(from/dayMS)), typeLeaves)
		if err != nil {
			return err
		}
		list, err := readList(body, s.dec)
		if err != nil {
			return err
		}
		var kept []byte
		blocks := 0
		for rd := (reader{b: list}); len(rd.b) > 0; blocks++ {
			device, _, hour := rd.string(), rd.uint(), rd.int()
			rd.uint()                                                // segment
			firstSeq, lastSeq := rd.uint(), rd.uint()                // of the scans
			least, greatest, groups := rd.int(), rd.int(), rd.uint() // wall times
			if device != "d" || hourOf(least) != hour || greatest >= (hour+1)*hourMS || lastSeq-firstSeq != 1799 || groups != 1 {
				return fmt.Errorf("leaf of %s, hour %d, scans %d to %d, %d groups", device, hour, firstSeq, lastSeq, groups)
			}
			_, rows, good, channels := rd.uint(), rd.uint(), rd.uint(), rd.uint()
			if rows != 1800 || good != 1800 || channels != 4 {
				return fmt.Errorf("leaf of %d rows, %d good, %d channels", rows, good, channels)
			}
			kept = append(kept, rd.take(32*(1+channels))...)
			if rd.bad {
				return errors.New("leaf is cut short")
			}
		}
		if blocks != 24 || !bytes.Equal(kept, hashes) {
			return fmt.Errorf("%d leaves with %d bytes of hashes, want 24 with the %d of the blocks", blocks, len(kept), len(hashes))
		}
		return nil
	})
	if err != nil {
		t.Error(err)
	}
	got, err := s.Series("d.b", from, from+hourMS, 2000)
	if err != nil || got.StepMS != minuteMS || !got.RawDropped {
		t.Fatalf("an hour of the dropped day: step %d, dropped %v, %v; want cells of a minute that say so", got.StepMS, got.RawDropped, err)
	}
	wantCells(t, got.Cells, bruteSeries(scans, "d", "b", from, from+hourMS, minuteMS))
	// a window that cuts minutes takes them whole, and says so
	whole := bruteSeries(scans, "d", "b", from, from+10*minuteMS, 10*minuteMS)
	span, err := s.Span("d.b", from+20_000, from+10*minuteMS-30_000)
	if err != nil || !span.RawDropped || span.FromMS != from || span.ToMS != from+10*minuteMS {
		t.Errorf("minutes of the dropped day: %d to %d, dropped %v, %v", span.FromMS-from, span.ToMS-from, span.RawDropped, err)
	}
	wantCells(t, []Cell{span.Cell}, whole)
	minute := bruteSeries(scans, "d", "b", from+minuteMS, from+2*minuteMS, minuteMS)[0]
	reading, ok, err := s.ReadingAt("d.b", from+minuteMS+30_000)
	if want := (Reading{from + minuteMS, minute.Sum / float64(minute.Count), true}); err != nil || !ok || reading != want {
		t.Errorf("reading on the dropped day: %+v %v %v, want %+v", reading, ok, err, want)
	}
	now := s.Stats().NewestMS
	if got, err = s.Series("d.b", now-hourMS, now, 2000); err != nil || got.RawDropped || got.StepMS != 0 {
		t.Errorf("an hour of kept readings: step %d, dropped %v, %v; want raw", got.StepMS, got.RawDropped, err)
	}
}

// wantCounted: each scan is in one piece, dropped or not, also after a start
// that makes all pieces anew whose scans are there.
func wantCounted(t *testing.T, s *Store, total uint64) {
	t.Helper()
	count := func(s *Store) (n uint64) {
		pieces, err := s.Pieces("comp1", 0, 0)
		if err != nil {
			t.Fatal(err)
		}
		for _, p := range pieces {
			n += p.LastSeq - p.FirstSeq + 1
		}
		return n
	}
	before := count(s)
	if open := total - s.SealedSeq(); before+open != total {
		t.Errorf("%d scans in pieces and %d open, want %d", before, open, total)
	}
	dir := s.dir
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	again := openTest(t, dir, Options{Summariser: &counter{refuse: errors.New("another site file")}})
	if got := count(again); got != total {
		t.Errorf("%d scans in pieces after a new fold, want %d", got, total)
	}
	if again.RawFrom() != startOfDays+22*dayMS {
		t.Errorf("raw from %s after opening again", stamp(again.RawFrom()))
	}
}

// Raw scans that no summary was made from are not dropped, however old.
func TestRawIsNotDroppedBeforeItsSummaries(t *testing.T) {
	s := openTest(t, t.TempDir(), Options{})
	g := register(t, s, testGroups())[2]
	for day := range int64(5) {
		wall := startMS + day*dayMS
		appendAll(t, s, []scan.Scan{{Group: g, WallMS: wall, MonoMS: wall - startMS + 1000, Values: []int64{1, 2}}})
	}
	if _, ok, err := s.DropRawDay(1); ok || err != nil {
		t.Errorf("dropped: %v, %v; want nothing, since nothing is summarised", ok, err)
	}
}

// A reader that is under way when its day is dropped is told, not given less.
func TestReadingADayThatIsDropped(t *testing.T) {
	s := openTest(t, t.TempDir(), Options{Summariser: &counter{}})
	g := register(t, s, testGroups())[2]
	for day := range int64(4) {
		var batch []scan.Scan
		for i := range int64(3 * 60) { // a scan a minute, three hours
			at := day*dayMS + i*60_000
			batch = append(batch, scan.Scan{Group: g, WallMS: startMS + at, MonoMS: 1000 + at, Values: []int64{1, 2}})
		}
		appendAll(t, s, batch)
	}
	n := 0
	err := s.Scans(ScanQuery{}, func(*scan.Scan) error {
		if n++; n == 1 {
			if _, ok, err := s.DropRawDay(1); !ok || err != nil {
				t.Fatalf("not dropped: %v, %v", ok, err)
			}
		}
		return nil
	})
	if !errors.Is(err, ErrDropped) {
		t.Errorf("%d scans and %v, want ErrDropped", n, err)
	}
}
