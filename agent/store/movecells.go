package store

import (
	"encoding/binary"

	bolt "go.etcd.io/bbolt"
)

// moveCells makes the cells anew that hold scans of a segment whose labels
// have been put right since it was sealed: those of the wrong time and those of
// the true one. The blocks and cells of this seal are in tx already.
func (s *Store) moveCells(tx *bolt.Tx) error {
	type place struct {
		level int
		dev   uint32
		span  int64
	}
	places := map[place]bool{}
	segments := s.Segments()
	sealed := metaUint(tx, metaSealedScan)
	for _, seg := range segments {
		body, err := unwrap(tx.Bucket([]byte(bucketSegments)).Get(binary.BigEndian.AppendUint32(nil, seg.Number)), typeSegment)
		if err != nil || seg.ShiftMS == 0 || seg.FirstSeq == 0 || seg.FirstSeq > sealed {
			continue // nothing of it was sealed before
		}
		if was, err := decodeSegment(body); err != nil || was.ShiftMS == seg.ShiftMS {
			continue
		}
		refs, err := findBlocks(tx, ScanQuery{FromSeq: seg.FirstSeq}, nil)
		if err != nil {
			return err
		}
		for _, r := range refs {
			if segmentOf(segments, r.firstSeq).Number != seg.Number {
				continue
			}
			for i, l := range levels { // a scan may be of the hour before its block's
				for _, at := range []int64{r.hour - 1, r.hour} {
					places[place{i, r.deviceNo, floorTo(at*hourMS, l.spanMS)}] = true
				}
				for _, at := range []int64{r.hour - 1, r.hour, r.hour + 1} {
					places[place{i, r.deviceNo, floorTo(at*hourMS+seg.ShiftMS, l.spanMS)}] = true
				}
			}
		}
	}
	for at := range places {
		l := levels[at.level]
		leaves := tx.Bucket([]byte(bucketLeaves))
		if at.span < s.RawFrom() || leaves != nil && leaves.Get(dayKey(dayOf(hourOf(at.span)))) != nil {
			continue // they hold scans that are no longer kept: cannot be made again
		}
		p, err := s.cellsFromBlocks(tx, at.dev, l, at.span)
		if err != nil {
			return err
		}
		day, err := makeDayBucket(tx, bucketCells, dayOf(hourOf(at.span)))
		if err != nil {
			return err
		}
		key := cellKey(l, at.dev, at.span)
		if len(p.groups) == 0 {
			err = day.Delete(key)
		} else {
			err = day.Put(key, wrap(nil, typeCells, appendPack(nil, p, l, at.span, s.enc)))
		}
		if err != nil {
			return err
		}
	}
	return nil
}
