package store

import (
	"fmt"
	"maps"
	"slices"

	bolt "go.etcd.io/bbolt"

	"loadscribe/agent/scan"
)

// load checks the database's tree and takes what is kept in memory.
func (s *Store) load(tx *bolt.Tx) error {
	if have := fileSize(tx.DB().Path()); have < tx.Size() {
		return fmt.Errorf("%w: the file has %d bytes and should have %d", ErrDamaged, have, tx.Size())
	}
	if err := checkMeta(tx); err != nil {
		return err
	}
	version := metaUint(tx, metaVersion)
	if version > formatVersion {
		return newerFormat(version) // before any other judgement
	}
	for _, b := range allBuckets() {
		if tx.Bucket([]byte(b)) == nil {
			return fmt.Errorf("%w: bucket %q is missing", ErrDamaged, b)
		}
	}
	if version == 0 {
		return fmt.Errorf("%w: no format version", ErrDamaged)
	}
	s.sealed = marks{scan: metaUint(tx, metaSealedScan), event: metaUint(tx, metaSealedEvent)}
	s.last = s.sealed
	s.rawFromMS = int64(metaUint(tx, metaRawFrom))
	s.movedFrom = metaUint(tx, metaMovedFrom)
	s.cellsMS = firstCells(tx)
	s.loadFailures(tx)
	d, err := describe(tx)
	if err != nil {
		return err
	}
	s.keepDescribed(&d)
	if err := s.walk(tx); err != nil {
		return err
	}
	if s.blocks > 0 {
		s.oldestMS, s.newestMS, err = span(tx, s.segments)
	}
	return err
}

// walk visits every key, which reads every branch and leaf page, and counts
// the blocks.
func (s *Store) walk(tx *bolt.Tx) error {
	for _, name := range []string{bucketBlocks, bucketCells, bucketPieces, bucketEvents} {
		err := tx.Bucket([]byte(name)).ForEachBucket(func(day []byte) error {
			if len(day) != 8 {
				return fmt.Errorf("%w: bucket %s has a day of %d bytes", ErrDamaged, name, len(day))
			}
			return tx.Bucket([]byte(name)).Bucket(day).ForEach(func(k, v []byte) error {
				if name != bucketBlocks {
					return nil
				}
				if len(k) != blockKeyLen {
					return fmt.Errorf("%w: block key of %d bytes", ErrDamaged, len(k))
				}
				s.blocks++
				s.blockLen += int64(len(v))
				return nil
			})
		})
		if err != nil {
			return err
		}
	}
	return nil
}

func (s *Store) keepDescribed(d *described) {
	for _, id := range slices.Sorted(maps.Keys(d.groups)) {
		s.keepGroup(d.groups[id].groupRecord)
	}
	for _, number := range slices.Sorted(maps.Keys(d.segments)) {
		s.segments = append(s.segments, d.segments[number].Segment)
	}
	s.segDirty = len(s.segments)
}

func (s *Store) keepGroup(g *groupRecord) {
	if old := s.groups[g.group.ID]; old == nil || g.version >= old.version {
		s.groups[g.group.ID] = g
	}
	s.devices[g.group.Device] = g.deviceNo
}

// takeReplay puts the journal's tail into memory.
func (s *Store) takeReplay(rep *replayed) error {
	for _, g := range rep.groups {
		s.keepGroup(g)
		s.unsaved = append(s.unsaved, g)
	}
	for _, seg := range rep.segments {
		i := slices.IndexFunc(s.segments, func(have Segment) bool { return have.Number == seg.Number })
		if i < 0 {
			s.segments = append(s.segments, seg)
		} else if seg.ShiftMS != 0 { // a later entry
			if have := &s.segments[i]; have.ShiftMS == 0 && have.FirstSeq <= s.sealed.scan {
				s.moved(have.FirstSeq)
			}
			s.segments[i].ShiftMS = seg.ShiftMS
			s.segDirty = min(s.segDirty, i)
		}
	}
	if s.LabelsMoved() && s.blocks > 0 {
		err := s.view(func(tx *bolt.Tx) (err error) {
			s.oldestMS, s.newestMS, err = span(tx, s.segments)
			return err
		})
		if err != nil {
			return err
		}
	}
	for i := range rep.scans {
		sc := &rep.scans[i]
		sc.Group = s.group(sc.Group.ID)
		s.keepScan(*sc)
	}
	s.events = rep.events
	for i := range s.events {
		s.failed.event(&s.events[i])
	}
	if n := len(rep.events); n > 0 {
		s.last.event = rep.events[n-1].Seq
	}
	return nil
}

// keepScan adds a scan to the tail.
func (s *Store) keepScan(sc scan.Scan) {
	first := s.last.scan == 0 && len(s.tail) == 0
	s.tail = append(s.tail, sc)
	s.failed.scan(&sc)
	s.values += len(sc.Group.Channels) + timeColumns
	s.last.scan = sc.Seq
	for i := len(s.segments) - 1; i >= 0; i-- {
		if s.segments[i].Number == sc.Segment {
			if s.segments[i].FirstSeq == 0 {
				s.segments[i].FirstSeq = sc.Seq
				s.segDirty = min(s.segDirty, i)
			}
			sc.WallMS += s.segments[i].ShiftMS
			break
		}
	}
	s.spanTo(sc.WallMS, first)
}
