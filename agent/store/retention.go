package store

import (
	"errors"
	"fmt"
	"time"

	bolt "go.etcd.io/bbolt"
)

// KindRawDropped is the kind of event that says that the raw readings of a day
// are no longer kept; Data["day"] is the day of UTC.
const KindRawDropped = "raw_dropped"

// errNotSummarised: a day's raw scans are needed still to make summaries from.
var errNotSummarised = errors.New("its summaries are not made yet")

// Dropped is a day whose raw blocks were dropped.
type Dropped struct {
	DayMS  int64 // its start, Unix ms UTC
	Blocks int64
	Bytes  int64 // of the blocks
}

// Cleanup is the result of the last DropRawDay.
type Cleanup struct {
	WallMS int64 // when; 0: none yet
	Days   int64 // dropped since the store was opened
	Error  string
}

// RawFrom is the wall time from which all raw scans are kept; 0 where none was
// ever dropped. Before it there are summaries, cells of a minute and coarser,
// events, and the hashes of what was dropped.
func (s *Store) RawFrom() int64 {
	s.mu.RLock()
	defer s.mu.RUnlock()
	return s.rawFromMS
}

// RecordFrom is the time from which there is a record: the oldest scan, or the
// day of the first summaries where raw scans were dropped; 0: nothing is kept.
func (s *Store) RecordFrom() int64 {
	s.mu.RLock()
	defer s.mu.RUnlock()
	if s.last.scan == 0 {
		return 0
	}
	if s.rawFromMS != 0 && s.cellsMS != 0 {
		return min(s.oldestMS, s.cellsMS)
	}
	return s.oldestMS
}

// DropRawDay drops the raw blocks of the day recorded first if more than
// keepDays days besides the newest have some, in one transaction of its own; ok
// is false where there is nothing to do. Which day is the first is told by sequence numbers,
// not by labels, and days are counted, not reckoned from a clock: a clock that
// starts in 1970 or jumps ahead by years must not cost the record. Summaries
// and cells stay, and of each block its leaf: what it held, by its hashes.
// Blocks that no summary was made from yet stay too.
func (s *Store) DropRawDay(keepDays int) (d Dropped, ok bool, err error) {
	if s.readOnly {
		return d, false, ErrReadOnly
	}
	d, ok, err = s.dropFirst(max(keepDays, 0))
	if errors.Is(err, errNotSummarised) {
		ok, err = false, nil
	}
	unsettled := err != nil && ok // gone, and not surely on the disk
	_, wall := s.o.Clock.Now()
	s.mu.Lock()
	defer s.mu.Unlock()
	s.cleanup.WallMS, s.cleanup.Error = wall, ""
	if err != nil {
		err = fmt.Errorf("drop raw readings: %w", err)
		s.cleanup.Error = err.Error()
		if !unsettled {
			return Dropped{}, false, err
		}
	}
	if !ok || s.dead {
		return d, ok, err
	}
	s.cleanup.Days++
	name := time.UnixMilli(d.DayMS).UTC().Format(time.DateOnly)
	s.addEvent(Event{Kind: KindRawDropped, Data: map[string]string{"day": name, "blocks": fmt.Sprint(d.Blocks), "bytes": fmt.Sprint(d.Bytes)},
		Text: fmt.Sprintf("the raw readings of %s (UTC) are no longer kept: %d whole days and the newest are; summaries, curves by the minute and the hashes of the readings stay", name, keepDays)})
	return d, true, err
}

// RawBeyond lists the days, in the order of recording, that DropRawDay would
// drop one after another; nothing is dropped. The bytes are not reckoned.
func (s *Store) RawBeyond(keepDays int) (all []Dropped, err error) {
	segments := s.Segments()
	err = s.view(func(tx *bolt.Tx) error {
		days, err := recordedDays(tx, segments)
		for ; err == nil && beyond(days, max(keepDays, 0)); days = days[1:] {
			all = append(all, Dropped{DayMS: days[0].day * dayMS, Blocks: int64(len(days[0].blocks))})
		}
		return err
	})
	return all, err
}

// dropFirst drops the first of the days if there are more than keep. With an
// error, ok says that it was dropped and that the disk may not have it yet.
func (s *Store) dropFirst(keep int) (d Dropped, ok bool, err error) {
	segments := s.Segments()
	err = s.view(func(tx *bolt.Tx) error {
		days, err := recordedDays(tx, segments)
		ok = beyond(days, keep)
		return err
	})
	if err != nil || !ok {
		return d, false, err
	}
	var from, oldest, cells int64
	var first *recordedDay
	err = guard(func() error {
		return s.update(func(tx *bolt.Tx) error {
			d, ok = Dropped{}, false
			days, err := recordedDays(tx, segments)
			if err != nil || !beyond(days, keep) {
				return err
			}
			first, ok = days[0], true
			d.DayMS = first.day * dayMS
			if first.lastSeq > metaUint(tx, metaSummarySeq) {
				return errNotSummarised
			}
			if err := s.dropLogged(tx, first.day, first.blocks, &d); err != nil {
				return err
			}
			from = max(int64(metaUint(tx, metaRawFrom)), keptFrom(first, days[1:]))
			cells = firstCells(tx)
			if oldest, _, err = span(tx, segments); err != nil {
				return err
			}
			return putMetaUint(tx, metaRawFrom, uint64(from))
		})
	})
	if err != nil {
		if ok {
			err = fmt.Errorf("of the day from %s: %w", stamp(d.DayMS), err)
		}
		if !ok || !errors.Is(err, errUnsettled) || !s.areGone(first.blocks) {
			return d, false, err
		}
	}
	if !ok {
		return d, false, nil
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.rawFromMS, s.oldestMS, s.cellsMS = from, min(oldest, s.newestMS), cells
	s.blocks, s.blockLen = s.blocks-d.Blocks, s.blockLen-d.Bytes
	return d, true, err
}

// dropLogged is dropBlocks with the evidence of it. It must be all that the
// transaction changes of blocks, events, groups and segments.
func (s *Store) dropLogged(tx *bolt.Tx, day int64, blocks []blockRef, d *Dropped) error {
	w, err := s.openLog(tx)
	if err != nil {
		return err
	}
	gone := DroppedLeaf{Day: day}
	if gone.Leaves, err = w.leavesOf(blocks); err != nil {
		return err
	}
	if err := s.dropBlocks(tx, blocks, d); err != nil {
		return err
	}
	return w.add(&addition{dropped: []DroppedLeaf{gone}})
}

// dropBlocks keeps the leaves of blocks, which are in the order of their keys,
// and deletes them. A block that cannot be read has no leaf: its loss was told
// when it was met.
func (s *Store) dropBlocks(tx *bolt.Tx, blocks []blockRef, d *Dropped) error {
	for len(blocks) > 0 {
		day, n := dayOf(blocks[0].hour), 0
		for n < len(blocks) && dayOf(blocks[n].hour) == day {
			n++
		}
		b := dayBucket(tx, bucketBlocks, day)
		var leaves []byte
		for _, r := range blocks[:n] {
			v := b.Get(r.key())
			d.Blocks++
			d.Bytes += int64(len(v))
			if h, err := openBlock(v); err == nil {
				leaves = appendLeaf(leaves, h)
			} else {
				s.log.Error("a damaged block is dropped without its hashes", "hour", stamp(r.hour*hourMS), "error", err)
			}
		}
		if err := s.putLeaves(tx, day, leaves); err != nil {
			return err
		}
		if err := deleteBlocks(tx, day, blocks[:n]); err != nil {
			return err
		}
		blocks = blocks[n:]
	}
	return nil
}

// deleteBlocks deletes blocks of a day's bucket, and the bucket if it is empty
// then.
func deleteBlocks(tx *bolt.Tx, day int64, blocks []blockRef) error {
	b := dayBucket(tx, bucketBlocks, day)
	for _, r := range blocks {
		if err := b.Delete(r.key()); err != nil {
			return err
		}
	}
	if k, _ := b.Cursor().First(); k != nil {
		return nil
	}
	return tx.Bucket([]byte(bucketBlocks)).DeleteBucket(dayKey(day))
}

// appendLeaf writes what stays of a block: its head without the columns.
func appendLeaf(b []byte, h *blockHead) []byte {
	bare := *h
	bare.groups = make([]groupHead, len(h.groups))
	for i, g := range h.groups {
		g.cols = nil
		bare.groups[i] = g
	}
	return appendBlockHead(b, &bare)
}

// putLeaves keeps a day's leaves in one value, after those that are there: a
// clock that was set back, or is not set, can bring blocks of a day that was
// dropped before.
func (s *Store) putLeaves(tx *bolt.Tx, day int64, leaves []byte) error {
	b, err := tx.CreateBucketIfNotExists([]byte(bucketLeaves))
	if err != nil {
		return err
	}
	if old := b.Get(dayKey(day)); old != nil {
		body, err := unwrap(old, typeLeaves)
		if err != nil {
			return err
		}
		before, err := readList(body, s.dec)
		if err != nil {
			return err
		}
		leaves = append(before, leaves...)
	}
	return b.Put(dayKey(day), wrap(nil, typeLeaves, appendList(nil, leaves, s.enc)))
}

// firstCells is the start of the first day with cells; 0: none.
func firstCells(tx *bolt.Tx) int64 {
	if k, _ := tx.Bucket([]byte(bucketCells)).Cursor().First(); len(k) == 8 {
		return get64(k) * dayMS
	}
	return 0
}
