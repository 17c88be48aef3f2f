package store

import (
	"encoding/binary"

	bolt "go.etcd.io/bbolt"
)

// cellPlace is where a value of cells belongs.
type cellPlace struct {
	level    int // of levels
	deviceNo uint32
	spanMS   int64
}

// movedPlaces are those that hold, or are to hold, scans of a segment whose
// labels have been put right since it was sealed.
func (s *Store) movedPlaces(tx *bolt.Tx) (map[cellPlace]bool, error) {
	places := map[cellPlace]bool{}
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
			return nil, err
		}
		for _, r := range refs {
			if segmentOf(segments, r.firstSeq).Number != seg.Number {
				continue
			}
			for i, l := range levels { // a scan may be of the hour before its block's
				for _, at := range []int64{r.hour - 1, r.hour} {
					places[cellPlace{i, r.deviceNo, floorTo(at*hourMS, l.spanMS)}] = true
				}
				for _, at := range []int64{r.hour - 1, r.hour, r.hour + 1} {
					places[cellPlace{i, r.deviceNo, floorTo(at*hourMS+seg.ShiftMS, l.spanMS)}] = true
				}
			}
		}
	}
	return places, nil
}

// moveCells makes the cells anew that hold scans of a segment whose labels
// have been put right since it was sealed: those of the wrong time and those of
// the true one. The blocks and cells of this seal are in tx already.
func (s *Store) moveCells(tx *bolt.Tx) error {
	places, err := s.movedPlaces(tx)
	if err != nil {
		return err
	}
	for at := range places {
		leaves := tx.Bucket([]byte(bucketLeaves))
		if at.spanMS < s.RawFrom() || leaves != nil && leaves.Get(dayKey(dayOf(hourOf(at.spanMS)))) != nil {
			continue // they hold scans that are no longer kept: cannot be made again
		}
		if err := s.remakeCells(tx, at); err != nil {
			return err
		}
	}
	return nil
}
