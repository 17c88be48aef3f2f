package store

import (
	"errors"
	"fmt"
	"math"
	"slices"

	bolt "go.etcd.io/bbolt"

	"loadscribe/agent/scan"
)

// Why the segments of an import began. Their monotonic time is wall time: a
// logger's file has no other.
const (
	WhyImport = "import"
	WhyUndone = "import undone" // its scans are no longer there
)

// NewClock reports whether the segment's monotonic clock is not the one of the
// segment before it.
func (s *Segment) NewClock() bool {
	return s.Why == WhyStart || s.Why == WhyImport || s.Why == WhyUndone
}

// The kinds of event that tell of an import.
const (
	KindImport       = "import"
	KindImportUndone = "import_undone"
)

// ErrNotImport: an import's method was called of a store that records.
var ErrNotImport = errors.New("the store was not opened for an import")

// Importing makes Open one for an import or its undoing, in a Side: no segment
// of an agent's run begins, and a damaged store is refused, not saved.
type Importing struct {
	// FromMS is the wall time of the first scan; 0: none is appended.
	FromMS int64
}

// startImport is the end of start. The store is not shared yet.
func (s *Store) startImport() error {
	s.firstOwn = max(0, len(s.segments)-1)
	if from := s.o.Import.FromMS; from != 0 {
		s.firstOwn = len(s.segments)
		s.newSegment(from, from, WhyImport)
	}
	if len(s.segments) == 0 {
		return fmt.Errorf("%w: nothing was ever recorded in it", ErrNoStore)
	}
	if err := s.startFold(); err != nil {
		return fmt.Errorf("make summaries: %w", err)
	}
	return s.tellEvidence()
}

// BeginImported begins a new segment of an import: the scans that follow have
// another clock than those before.
func (s *Store) BeginImported(fromMS int64) error {
	s.writeMu.Lock()
	defer s.writeMu.Unlock()
	switch {
	case s.o.Import == nil:
		return ErrNotImport
	case s.closed:
		return ErrClosed
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.newSegment(fromMS, fromMS, WhyImport)
	return nil
}

// hidden are the segments of imports that were undone. What the store kept of
// their time, faults and the like, is not told any more. mu is held.
func (s *Store) hidden() map[uint32]bool {
	var m map[uint32]bool
	for i := range s.segments {
		if s.segments[i].Why == WhyUndone {
			if m == nil {
				m = map[uint32]bool{}
			}
			m[s.segments[i].Number] = true
		}
	}
	return m
}

// undone are the numbers of scans that are missing since their import was
// undone, for whoever looks for damage. The store is not shared yet.
func (s *Store) undone() []loss {
	var out []loss
	for i := range s.segments {
		if seg := &s.segments[i]; seg.Why == WhyUndone && seg.FirstSeq > 0 {
			l := loss{first: seg.FirstSeq, last: math.MaxUint64}
			for j := range s.segments {
				if f := s.segments[j].FirstSeq; f > l.first {
					l.last = min(l.last, f-1)
				}
			}
			out = append(out, l)
		}
	}
	return out
}

// toldOfUndone reports whether an event stays when the import is undone in
// whose segment it is: what is not of the imported readings.
func toldOfUndone(kind string) bool {
	return slices.Contains([]string{KindImport, KindImportUndone, "config_changed", KindEvidenceBegan, KindEvidenceKey, "data_damaged", "clocks_aligned"}, kind)
}

// DropImported deletes the scans of segments of an import, and all that was
// made of them, in one transaction; of each block the leaf with its hashes
// stays. The segments follow each other. The summaries' state goes too: the
// next Open with a Summariser makes what is left anew. It returns how many
// scans are gone.
func (s *Store) DropImported(segments []uint32) (scans uint64, err error) {
	s.writeMu.Lock()
	defer s.writeMu.Unlock()
	if s.o.Import == nil || s.o.Summariser != nil {
		return 0, ErrNotImport
	}
	if s.closed {
		return 0, ErrClosed
	}
	if err := s.seal(); err != nil {
		return 0, err
	}
	first, last, err := s.markUndone(segments)
	if err != nil {
		return 0, fmt.Errorf("undo import: %w", err)
	}
	if first == 0 {
		return 0, nil
	}
	failed, scans, err := s.failuresOf(first, last)
	if err == nil {
		err = guard(func() error {
			return s.update(func(tx *bolt.Tx) error { return s.dropImported(tx, first, last, failed) })
		})
	}
	if err != nil {
		return 0, fmt.Errorf("undo import: %w", err)
	}
	s.lists.drop()
	s.mu.Lock()
	defer s.mu.Unlock()
	s.failed, s.segDirty = failed, len(s.segments)
	return scans, nil
}

// markUndone finds the numbers of the scans of an import and marks its
// segments; first 0: it has none.
func (s *Store) markUndone(numbers []uint32) (first, last uint64, err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	last = s.sealed.scan
	found := 0
	for i := range s.segments {
		seg := &s.segments[i]
		switch {
		case slices.Contains(numbers, seg.Number):
			if seg.Why != WhyImport {
				return 0, 0, fmt.Errorf("segment %d is not of an import, but of: %s", seg.Number, seg.Why)
			}
			if seg.StartWallMS < s.rawFromMS {
				return 0, 0, fmt.Errorf("its raw readings, before %s, are no longer all kept (keep_raw): what curves show of them cannot be told apart any more", stamp(s.rawFromMS))
			}
			found++
			seg.Why = WhyUndone
			s.segDirty = min(s.segDirty, i)
			if seg.FirstSeq > 0 && (first == 0 || seg.FirstSeq < first) {
				first = seg.FirstSeq
			}
		case found == len(numbers) && seg.FirstSeq > 0:
			last = min(last, seg.FirstSeq-1)
		}
	}
	if found != len(numbers) {
		return 0, 0, fmt.Errorf("%d of %d segments of the import are there", found, len(numbers))
	}
	return first, last, nil
}

// failuresOf counts the scans from first to last and returns what the counts of
// failures are without them.
func (s *Store) failuresOf(first, last uint64) (left failures, n uint64, err error) {
	s.mu.RLock()
	left = s.failed.clone()
	s.mu.RUnlock()
	gone := failures{}
	err = s.Scans(ScanQuery{FromSeq: first}, func(sc *scan.Scan) error {
		if sc.Seq > last {
			return errEnough
		}
		n++
		gone.scan(sc)
		return nil
	})
	if errors.Is(err, errEnough) {
		err = nil
	}
	for device, counts := range gone {
		for reason, k := range counts {
			left[device][reason] -= min(k, left[device][reason])
		}
	}
	return left, n, err
}

func (s *Store) dropImported(tx *bolt.Tx, first, last uint64, failed failures) error {
	all, err := allBlocks(tx)
	if err != nil {
		return err
	}
	gone := slices.DeleteFunc(all, func(r blockRef) bool { return r.firstSeq < first || r.lastSeq > last })
	places := map[cellPlace]bool{}
	for _, r := range gone {
		for i, l := range levels { // a scan may be of the hour before its block's
			for _, at := range []int64{r.hour - 1, r.hour} {
				span := floorTo(at*hourMS, l.spanMS)
				if span < s.RawFrom() {
					return fmt.Errorf("raw readings near its time, before %s, are no longer kept (keep_raw): what curves show there cannot be told apart any more", stamp(s.RawFrom()))
				}
				places[cellPlace{i, r.deviceNo, span}] = true
			}
		}
	}
	w, err := s.openLog(tx)
	if err != nil {
		return err
	}
	leaves, err := w.droppedByDay(gone)
	if err != nil {
		return err
	}
	var d Dropped
	if err := s.dropBlocks(tx, gone, &d); err != nil {
		return err
	}
	for at := range places {
		if err := s.remakeCells(tx, at); err != nil {
			return err
		}
	}
	if err := s.emptyPieces(tx, seqRuns{runs: []seqRun{{first, last}}}); err != nil {
		return err
	}
	if err := s.putDescriptions(tx, nil); err != nil {
		return err
	}
	if err := tx.Bucket([]byte(bucketMeta)).Put([]byte(metaFailures), failed.encode()); err != nil {
		return err
	}
	if err := putSummary(tx, 0, nil); err != nil {
		return err
	}
	return w.add(&addition{dropped: leaves})
}

// remakeCells makes the cells of a place anew from the blocks that are there.
func (s *Store) remakeCells(tx *bolt.Tx, at cellPlace) error {
	l := levels[at.level]
	p, err := s.cellsFromBlocks(tx, at.deviceNo, l, at.spanMS)
	if err != nil {
		return err
	}
	day := dayOf(hourOf(at.spanMS))
	if len(p.groups) == 0 {
		b := dayBucket(tx, bucketCells, day)
		if b == nil {
			return nil
		}
		return b.Delete(cellKey(l, at.deviceNo, at.spanMS))
	}
	b, err := makeDayBucket(tx, bucketCells, day)
	if err != nil {
		return err
	}
	return b.Put(cellKey(l, at.deviceNo, at.spanMS), wrap(nil, typeCells, appendPack(nil, p, l, at.spanMS, s.enc)))
}
