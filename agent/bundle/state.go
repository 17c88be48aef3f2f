package bundle

import (
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"slices"

	"loadscribe/agent/scan"
	"loadscribe/agent/store"
)

// state is what readings need to be read: groups and segments.
type state struct {
	hash     [sha256.Size]byte
	groups   map[uint32]*scan.Group
	order    []*scan.Group // by id: the order of the wide layout's columns
	segments map[uint32]store.Segment
	shifts   map[uint32]int64
}

// appendRecords writes records as the state's hash takes them.
func appendRecords(b []byte, records [][]byte) []byte {
	for _, r := range records {
		b = binary.AppendUvarint(b, uint64(len(r)))
		b = append(b, r...)
	}
	return b
}

// readRecords takes records off groups.bin or segments.bin.
func readRecords(name string, b []byte, fn func([]byte) error) error {
	for n := 0; len(b) > 0; n++ {
		size, used := binary.Uvarint(b)
		if used <= 0 || size > uint64(len(b)-used) {
			return fmt.Errorf("%w: %s: record %d is cut off", ErrBroken, name, n)
		}
		if err := fn(b[used : used+int(size)]); err != nil {
			return fmt.Errorf("%w: %s: record %d: %w", ErrBroken, name, n, err)
		}
		b = b[used+int(size):]
	}
	return nil
}

// readState reads both files. Of a group the highest version holds.
func readState(groups, segments []byte) (*state, error) {
	h := sha256.New()
	_, _ = h.Write(groups) // a hash never fails
	_, _ = h.Write(segments)
	s := &state{groups: map[uint32]*scan.Group{}, segments: map[uint32]store.Segment{}, shifts: map[uint32]int64{}}
	h.Sum(s.hash[:0])
	versions := map[uint32]uint32{}
	err := readRecords(nameGroups, groups, func(b []byte) error {
		r, err := store.DecodeGroup(b)
		if err != nil {
			return err
		}
		if id := r.Group.ID; s.groups[id] == nil || r.Version > versions[id] {
			s.groups[id], versions[id] = r.Group, r.Version
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	err = readRecords(nameSegments, segments, func(b []byte) error {
		seg, err := store.DecodeSegment(b)
		if err == nil {
			s.segments[seg.Number], s.shifts[seg.Number] = seg, seg.ShiftMS
		}
		return err
	})
	for _, g := range s.groups {
		s.order = append(s.order, g)
	}
	slices.SortFunc(s.order, func(a, b *scan.Group) int {
		if a.ID < b.ID {
			return -1
		}
		return 1
	})
	return s, err
}

// inWindow reports whether a block may hold readings of the window, by what its
// leaf says.
func (s *state) inWindow(b *block, fromMS, toMS int64) bool {
	shift := s.shifts[b.Segment]
	return b.MinWallMS+shift < toMS && b.MaxWallMS+shift >= fromMS
}
