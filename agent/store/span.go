package store

import (
	bolt "go.etcd.io/bbolt"

	"loadscribe/agent/scan"
)

// span is when the oldest and the newest of the scans in blocks were, by labels
// that are put right where that is known; 0 where there are no blocks. Keys tell
// which blocks can hold them. Where one of these cannot be read, which is told
// when it is wanted, the whole hour stands for it.
func span(tx *bolt.Tx, segments []Segment) (oldestMS, newestMS int64, err error) {
	refs, err := allBlocks(tx)
	if err != nil || len(refs) == 0 {
		return 0, 0, err
	}
	shift := func(r blockRef) int64 { return segmentOf(segments, r.firstSeq).ShiftMS }
	begin := func(r blockRef) int64 { return r.hour*hourMS + shift(r) }
	first, last := begin(refs[0]), begin(refs[0])
	for _, r := range refs[1:] {
		first, last = min(first, begin(r)), max(last, begin(r))
	}
	// a scan may lie in the hour before its block's
	oldestMS, newestMS = maxWallMS, -maxWallMS
	for _, r := range refs {
		if at := begin(r); at > first+hourMS && at < last-hourMS {
			continue
		}
		value, err := readBlock(tx, r)
		if err != nil {
			return 0, 0, err
		}
		from, to := r.hour*hourMS, (r.hour+1)*hourMS-1
		if h, err := openBlock(value); err == nil {
			from, to = h.minWall, h.maxWallMS
		}
		oldestMS, newestMS = min(oldestMS, from+shift(r)), max(newestMS, to+shift(r))
	}
	return oldestMS, newestMS, nil
}

// spanTo takes a scan's time into account; only: it is the only one.
func (s *Store) spanTo(wallMS int64, only bool) {
	if only || wallMS < s.oldestMS {
		s.oldestMS = wallMS
	}
	if only || wallMS > s.newestMS {
		s.newestMS = wallMS
	}
}

// measure finds the time of the oldest and the newest scan anew, since labels
// were put right.
func (s *Store) measure() error {
	return s.snapshot(func(tx *bolt.Tx, tail []scan.Scan, _ []Event) error {
		segments := s.Segments()
		oldest, newest, err := span(tx, segments)
		if err != nil {
			return err
		}
		s.mu.Lock()
		defer s.mu.Unlock()
		shifts := s.shifts()
		sealed := metaUint(tx, metaSealedScan)
		s.oldestMS, s.newestMS = oldest, newest
		for i := range tail {
			s.spanTo(tail[i].WallMS+shifts[tail[i].Segment], sealed == 0 && i == 0)
		}
		return nil
	})
}
