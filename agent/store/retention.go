package store

import (
	"encoding/binary"
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

// DropRawDay drops the raw blocks of the oldest day if more than keepDays days
// have some, in one transaction of its own; ok is false where there is nothing
// to do. Days are counted, not reckoned from a clock: a clock that jumps ahead
// by years must not cost the record. Summaries and cells stay, and of each
// block its leaf: what it held, by its hashes. Blocks that no summary was made
// from yet stay too.
func (s *Store) DropRawDay(keepDays int) (d Dropped, ok bool, err error) {
	if s.readOnly {
		return d, false, ErrReadOnly
	}
	day, ok, err := s.dayBeyond(max(keepDays, 1))
	if err == nil && ok {
		d, err = s.dropDay(day)
	}
	if errors.Is(err, errNotSummarised) {
		ok, err = false, nil
	}
	_, wall := s.o.Clock.Now()
	s.mu.Lock()
	defer s.mu.Unlock()
	s.cleanup.WallMS, s.cleanup.Error = wall, ""
	if err != nil {
		err = fmt.Errorf("drop raw readings: %w", err)
		s.cleanup.Error = err.Error()
		return Dropped{}, false, err
	}
	if !ok || s.dead {
		return d, ok, nil
	}
	s.cleanup.Days++
	name := time.UnixMilli(d.DayMS).UTC().Format(time.DateOnly)
	s.addEvent(Event{Kind: KindRawDropped, Data: map[string]string{"day": name, "blocks": fmt.Sprint(d.Blocks), "bytes": fmt.Sprint(d.Bytes)},
		Text: fmt.Sprintf("the raw readings of %s (UTC) are no longer kept: %d days of newer ones are; summaries, curves by the minute and the hashes of the readings stay", name, keepDays)})
	return d, true, nil
}

// dayBeyond finds the oldest day with blocks if there are more than keep.
func (s *Store) dayBeyond(keep int) (day int64, ok bool, err error) {
	err = s.view(func(tx *bolt.Tx) error {
		c := tx.Bucket([]byte(bucketBlocks)).Cursor()
		n := 0
		for k, _ := c.First(); k != nil; k, _ = c.Next() {
			if n++; n == 1 {
				day = get64(k)
			}
		}
		ok = n > keep
		return nil
	})
	return day, ok, err
}

func (s *Store) dropDay(day int64) (Dropped, error) {
	d := Dropped{DayMS: day * dayMS}
	var from, oldest, cells int64
	err := guard(func() error {
		return s.update(func(tx *bolt.Tx) error {
			d.Blocks, d.Bytes = 0, 0
			leaves, err := s.dayLeaves(tx, day, &d)
			if err != nil {
				return err
			}
			if err := s.putLeaves(tx, day, leaves); err != nil {
				return err
			}
			if err := tx.Bucket([]byte(bucketBlocks)).DeleteBucket(dayKey(day)); err != nil {
				return err
			}
			from = max(int64(metaUint(tx, metaRawFrom)), (day+1)*dayMS)
			oldest, cells = firstScan(tx, from), firstCells(tx)
			return putMetaUint(tx, metaRawFrom, uint64(from))
		})
	})
	if err != nil {
		return d, fmt.Errorf("of the day from %s: %w", stamp(d.DayMS), err)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.rawFromMS, s.oldestMS, s.cellsMS = from, min(oldest, s.newestMS), cells
	s.blocks, s.blockLen = s.blocks-d.Blocks, s.blockLen-d.Bytes
	return d, nil
}

// dayLeaves makes the leaves of a day's blocks. A block that cannot be read has
// none: its loss was told when it was met.
func (s *Store) dayLeaves(tx *bolt.Tx, day int64, d *Dropped) (leaves []byte, err error) {
	summarised := metaUint(tx, metaSummarySeq)
	err = dayBucket(tx, bucketBlocks, day).ForEach(func(k, v []byte) error {
		if len(k) != blockKeyLen {
			return fmt.Errorf("%w: block key of %d bytes", ErrDamaged, len(k))
		}
		if binary.BigEndian.Uint64(k[20:]) > summarised {
			return errNotSummarised
		}
		d.Blocks++
		d.Bytes += int64(len(v))
		h, err := openBlock(v)
		if err != nil {
			s.log.Error("a damaged block is dropped without its hashes", "hour", stamp(get64(k)*hourMS), "error", err)
			return nil
		}
		leaves = appendLeaf(leaves, h)
		return nil
	})
	return leaves, err
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
// clock that was set back can bring blocks of a day that was dropped before.
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

// firstScan is the wall time of the oldest scan in blocks, or otherwise where
// there is none.
func firstScan(tx *bolt.Tx, otherwise int64) int64 {
	var first edge
	c := tx.Bucket([]byte(bucketBlocks)).Cursor()
	k, _ := c.First()
	if k == nil {
		return otherwise
	}
	in := tx.Bucket([]byte(bucketBlocks)).Bucket(k).Cursor()
	for k, v := in.First(); len(k) == blockKeyLen; k, v = in.Next() {
		if len(first.blocks) > 0 && get64(k) != first.hour {
			break
		}
		first.hour, first.blocks = get64(k), append(first.blocks, v)
	}
	oldest, _ := first.span()
	return oldest
}

// firstCells is the start of the first day with cells; 0: none.
func firstCells(tx *bolt.Tx) int64 {
	if k, _ := tx.Bucket([]byte(bucketCells)).Cursor().First(); len(k) == 8 {
		return get64(k) * dayMS
	}
	return 0
}

// emptyPieces removes the pieces that can be made again from raw.
func emptyPieces(tx *bolt.Tx) error {
	from := int64(metaUint(tx, metaRawFrom))
	if from == 0 {
		if err := tx.DeleteBucket([]byte(bucketPieces)); err != nil {
			return err
		}
		_, err := tx.CreateBucket([]byte(bucketPieces))
		return err
	}
	top := tx.Bucket([]byte(bucketPieces))
	var days [][]byte
	c := top.Cursor()
	for k, _ := c.Seek(dayKey(from / dayMS)); k != nil; k, _ = c.Next() {
		days = append(days, append([]byte(nil), k...))
	}
	for _, k := range days {
		if err := top.DeleteBucket(k); err != nil {
			return err
		}
	}
	return nil
}

// madeAgain are the pieces of scans that are kept: those before stand for scans
// that are not.
func madeAgain(tx *bolt.Tx, pieces []Piece) []Piece {
	from := int64(metaUint(tx, metaRawFrom))
	if from == 0 {
		return pieces
	}
	var out []Piece
	for _, p := range pieces {
		if p.StartMS >= from {
			out = append(out, p)
		}
	}
	return out
}
