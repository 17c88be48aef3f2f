package store

import (
	"fmt"

	bolt "go.etcd.io/bbolt"

	"loadscribe/agent/scan"
)

// Columns are scans of one poll group in one recording segment, value by value
// instead of scan by scan: the quick way to raw readings for sums. Its slices
// are reused; they are valid during the call they are handed to.
type Columns struct {
	Group   *scan.Group
	Segment uint32
	// One a scan, in sequence order.
	Seq, MonoMS, WallMS, DurationMS, Reason []int64
	// Values and Quality have an entry a channel, and in it one a scan whose
	// Reason is Good. A Quality of nil says that all are good.
	Values, Quality [][]int64
}

// SealedColumns calls fn with all sealed scans, block by block: those of a device
// in sequence order, the devices of an hour one after the other. What is not
// sealed yet Scans gives, from SealedSeq on. Damage is treated as Scans does.
func (s *Store) SealedColumns(fn func(*Columns) error) error {
	s.mu.RLock()
	m := merger{dec: columnDecoder{dec: s.dec}, groups: s.groupMap()}
	s.mu.RUnlock()
	var refs []blockRef
	err := s.view(func(tx *bolt.Tx) (err error) {
		refs, err = findBlocks(tx, ScanQuery{}, nil)
		return err
	})
	if err != nil {
		return fmt.Errorf("read columns: %w", err)
	}
	for _, ref := range refs {
		if err := m.open(ref, s.fetchBlock); err != nil {
			if err := s.blockLost(ref, err); err != nil {
				return err
			}
			continue
		}
		if len(m.active) == 0 {
			continue // retention was quicker
		}
		b := m.active[0]
		m.active, m.spare = m.active[:0], append(m.spare, b)
		for i := range b.groups[:b.used] {
			g := &b.groups[i]
			c := Columns{m.groups[g.id], b.segment, g.time[0], g.time[1], g.time[2], g.time[3], g.time[4], g.values, g.quality}
			if err := fn(&c); err != nil {
				return err
			}
		}
	}
	return nil
}
