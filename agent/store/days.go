package store

import (
	"encoding/binary"
	"fmt"
	"math"
	"slices"

	bolt "go.etcd.io/bbolt"
)

// recordedDay is a day of UTC with its blocks, by true time: labels that are
// known to be wrong are put right. What a clock that was never set recorded is
// a day of its own for each segment and day of its labels: they say nothing
// about when it was.
type recordedDay struct {
	day     int64
	segment uint32 // of a clock that was never set; 0: of all others
	lastSeq uint64
	endMS   int64      // by true time, after the last scan that can be in it
	blocks  []blockRef // in the order of their keys
}

// recordedDays lists the days that have blocks in the order in which they were
// recorded, told by their greatest sequence number.
func recordedDays(tx *bolt.Tx, segments []Segment) ([]*recordedDay, error) {
	type id struct {
		day     int64
		segment uint32
	}
	days := map[id]*recordedDay{}
	var out []*recordedDay
	refs, err := allBlocks(tx)
	if err != nil {
		return nil, err
	}
	for _, r := range refs {
		seg := segmentOf(segments, r.firstSeq)
		at := id{day: dayOf(r.hour)}
		var end int64
		switch {
		case seg.ShiftMS != 0:
			at.day = floorTo(r.hour*hourMS+seg.ShiftMS, dayMS) / dayMS
			end = max((at.day+1)*dayMS, (r.hour+1)*hourMS+seg.ShiftMS)
		case seg.Untrusted:
			at.segment = seg.Number
		default:
			end = (at.day + 1) * dayMS
		}
		d := days[at]
		if d == nil {
			d = &recordedDay{day: at.day, segment: at.segment}
			days[at], out = d, append(out, d)
		}
		d.lastSeq, d.endMS = max(d.lastSeq, r.lastSeq), max(d.endMS, end)
		d.blocks = append(d.blocks, r)
	}
	slices.SortFunc(out, func(a, b *recordedDay) int { return compare(a.lastSeq, b.lastSeq) })
	return out, nil
}

// allBlocks lists the blocks in the order of their keys.
func allBlocks(tx *bolt.Tx) (refs []blockRef, err error) {
	top := tx.Bucket([]byte(bucketBlocks))
	err = top.ForEachBucket(func(day []byte) error {
		return top.Bucket(day).ForEach(func(k, _ []byte) error {
			if len(k) != blockKeyLen {
				return fmt.Errorf("%w: block key of %d bytes", ErrDamaged, len(k))
			}
			refs = append(refs, refOf(k))
			return nil
		})
	})
	return refs, err
}

// segmentOf finds the segment of a sequence number.
func segmentOf(segments []Segment, seq uint64) (seg Segment) {
	for i := range segments {
		if f := segments[i].FirstSeq; f > seg.FirstSeq && f <= seq {
			seg = segments[i]
		}
	}
	return seg
}

// beyond reports whether there are more than keep whole days beside the newest
// one, which is still being recorded. What a clock that was never set recorded
// counts by its hours: a start in 1970 is not a day.
func beyond(days []*recordedDay, keep int) bool {
	n, hours := 0, 0
	for _, d := range days {
		if d.segment == 0 {
			n++
			continue
		}
		last := int64(-1)
		for _, r := range d.blocks {
			if r.hour != last {
				hours, last = hours+1, r.hour
			}
		}
	}
	return n+(hours+23)/24 > keep+1 && len(days) > 1
}

// keptFrom is the time from which all raw scans are kept once first is
// dropped, or 0 where that says nothing of it: its time is not known, or it is
// a stray from a clock that was ahead, which most of what is kept shows.
func keptFrom(first *recordedDay, kept []*recordedDay) int64 {
	after, blocks := 0, 0
	for _, d := range kept {
		if d.segment != 0 {
			continue
		}
		blocks += len(d.blocks)
		if d.day >= first.day {
			after += len(d.blocks)
		}
	}
	if first.segment != 0 || 2*after < blocks {
		return 0
	}
	return first.endMS
}

// areGone reports whether the database shows that blocks were dropped.
func (s *Store) areGone(blocks []blockRef) bool {
	gone := false
	err := s.view(func(tx *bolt.Tx) error {
		v, err := readBlock(tx, blocks[0])
		gone = v == nil
		return err
	})
	return err == nil && gone
}

// seqRuns are the sequence numbers of the scans that blocks hold, as runs in
// order. The blocks of one hour and segment follow each other in sequence; a
// day that was dropped leaves a hole.
type seqRuns struct {
	all  bool // nothing was ever dropped
	runs []seqRun
}

type seqRun struct{ first, last uint64 }

// keptScans finds the scans that are kept raw.
func keptScans(tx *bolt.Tx) (kept seqRuns, err error) {
	if tx.Bucket([]byte(bucketLeaves)) == nil && metaUint(tx, metaRawFrom) == 0 {
		return seqRuns{all: true}, nil
	}
	refs, err := allBlocks(tx)
	if err != nil {
		return kept, err
	}
	slices.SortFunc(refs, func(a, b blockRef) int { return compare(a.firstSeq, b.firstSeq) })
	for _, r := range refs {
		if n := len(kept.runs); n > 0 && r.firstSeq <= kept.runs[n-1].last+1 {
			kept.runs[n-1].last = max(kept.runs[n-1].last, r.lastSeq)
			continue
		}
		kept.runs = append(kept.runs, seqRun{r.firstSeq, r.lastSeq})
	}
	return kept, nil
}

// after are those of scans after seq.
func (k seqRuns) after(seq uint64) seqRuns {
	if seq == 0 {
		return k
	}
	if k.all {
		return seqRuns{runs: []seqRun{{seq + 1, math.MaxUint64}}}
	}
	var out seqRuns
	for _, r := range k.runs {
		if r.last > seq {
			out.runs = append(out.runs, seqRun{max(r.first, seq+1), r.last})
		}
	}
	return out
}

func (k *seqRuns) has(seq uint64) bool {
	if k.all {
		return true
	}
	i, found := slices.BinarySearchFunc(k.runs, seq, func(r seqRun, seq uint64) int { return compare(r.first, seq) })
	return found || i > 0 && seq <= k.runs[i-1].last
}

// madeAgain are the pieces of scans that are kept: the others stand already.
func (k *seqRuns) madeAgain(pieces []Piece) []Piece {
	return slices.DeleteFunc(pieces, func(p Piece) bool { return !k.has(p.FirstSeq) })
}

// emptyPieces removes the pieces that can be made again from raw: those of
// scans that are kept. It goes by sequence, since the labels of scans and of
// the pieces made of them may have been put right in between.
func (s *Store) emptyPieces(tx *bolt.Tx, kept seqRuns) error {
	if kept.all {
		if err := tx.DeleteBucket([]byte(bucketPieces)); err != nil {
			return err
		}
		_, err := tx.CreateBucket([]byte(bucketPieces))
		return err
	}
	top := tx.Bucket([]byte(bucketPieces))
	return top.ForEachBucket(func(day []byte) error {
		b := top.Bucket(day)
		changed := map[string][]byte{}
		err := b.ForEach(func(k, v []byte) error {
			if left, ok := s.piecesLeft(k, v, kept); ok {
				changed[string(k)] = left
			}
			return nil
		})
		for k, left := range changed {
			if err != nil {
				return err
			}
			if left == nil {
				err = b.Delete([]byte(k))
			} else {
				err = b.Put([]byte(k), left)
			}
		}
		return err
	})
}

// piecesLeft is a list of pieces without those that are made again, nil if
// that is all of them; ok is false where none is. A list that cannot be read
// goes as its first scan does.
func (s *Store) piecesLeft(key, value []byte, kept seqRuns) (left []byte, ok bool) {
	body, err := unwrap(value, typePieces)
	var raw, stay []byte
	if err == nil {
		raw, err = readList(body, s.dec)
	}
	for r := (reader{b: raw}); err == nil && len(r.b) > 0; {
		from := len(raw) - len(r.b)
		p := readPiece(&r, "", "")
		if r.bad {
			err = ErrDamaged
		} else if !kept.has(p.FirstSeq) {
			stay = append(stay, raw[from:len(raw)-len(r.b)]...)
		}
	}
	switch {
	case err != nil:
		return nil, len(key) >= 16 && kept.has(binary.BigEndian.Uint64(key[8:]))
	case len(stay) == len(raw):
		return nil, false
	case len(stay) == 0:
		return nil, true
	}
	return wrap(nil, typePieces, appendList(nil, stay, s.enc)), true
}
