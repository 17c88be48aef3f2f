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
	version := uint64(0)
	if tx.Bucket([]byte(bucketMeta)) != nil {
		version = metaUint(tx, metaVersion)
	}
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
	s.cellsMS = firstCells(tx)
	s.loadFailures(tx)
	d, err := describe(tx)
	if err != nil {
		return err
	}
	s.keepDescribed(&d)
	return s.walk(tx)
}

// walk visits every key, which reads every branch and leaf page, and counts
// the blocks. Those of the first and the last hour say when the oldest and the
// newest scan were.
func (s *Store) walk(tx *bolt.Tx) error {
	var first, last edge
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
				hour := get64(k)
				if s.blocks == 1 {
					first.hour = hour
				}
				if hour == first.hour {
					first.blocks = append(first.blocks, v)
				}
				if hour != last.hour {
					last = edge{hour: hour}
				}
				last.blocks = append(last.blocks, v)
				return nil
			})
		})
		if err != nil {
			return err
		}
	}
	if s.blocks > 0 {
		s.oldestMS, _ = first.span()
		_, s.newestMS = last.span()
	}
	return nil
}

// edge is the blocks of one hour.
type edge struct {
	hour   int64
	blocks [][]byte
}

// span is from the oldest to the newest scan of the hour. Where a block cannot
// be read, which is told when it is wanted, the whole hour stands for it.
func (e edge) span() (oldestMS, newestMS int64) {
	oldestMS, newestMS = (e.hour+1)*hourMS-1, e.hour*hourMS
	for _, b := range e.blocks {
		h, err := openBlock(b)
		if err != nil {
			return e.hour * hourMS, (e.hour+1)*hourMS - 1
		}
		oldestMS, newestMS = min(oldestMS, h.minWall), max(newestMS, h.maxWallMS)
	}
	return oldestMS, newestMS
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
func (s *Store) takeReplay(rep *replayed) {
	for _, g := range rep.groups {
		s.keepGroup(g)
		s.unsaved = append(s.unsaved, g)
	}
	for _, seg := range rep.segments {
		i := slices.IndexFunc(s.segments, func(have Segment) bool { return have.Number == seg.Number })
		if i < 0 {
			s.segments = append(s.segments, seg)
		} else if seg.ShiftMS != 0 { // a later entry
			s.segments[i].ShiftMS = seg.ShiftMS
			s.segDirty = min(s.segDirty, i)
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
}

// keepScan adds a scan to the tail.
func (s *Store) keepScan(sc scan.Scan) {
	if s.last.scan == 0 && len(s.tail) == 0 || sc.WallMS < s.oldestMS {
		s.oldestMS = sc.WallMS
	}
	if s.last.scan == 0 && len(s.tail) == 0 || sc.WallMS > s.newestMS {
		s.newestMS = sc.WallMS
	}
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
			return
		}
	}
}
