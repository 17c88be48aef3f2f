package bundle

import (
	"encoding/binary"
	"fmt"
	"slices"

	"loadscribe/agent/scan"
	"loadscribe/agent/store"
)

// rowSize is a scan in a group's time rows: sequence number 8, monotonic 8,
// wall 8, duration 4, reason 1.
const rowSize = 29

// valueSize is a channel's value and its quality.
const valueSize = 9

// block is a block by its leaf.
type block struct {
	*store.BlockLeaf
	leaf  int64
	place *entry // of its canonical bytes
}

// size is the length of the canonical bytes.
func (b *block) size() int64 {
	n := 0
	for i := range b.Groups {
		n += groupSize(&b.Groups[i])
	}
	return int64(n)
}

func groupSize(g *store.BlockGroup) int { return g.Rows*rowSize + g.Good*g.Channels*valueSize }

// groupRows walks through a group's canonical bytes.
type groupRows struct {
	group    *scan.Group
	times    []byte
	values   []byte
	good     int
	row      int // that comes next
	goodRow  int // its place among those with values
	seq      uint64
	finished bool
}

// openRows cuts a block's canonical bytes into groups and checks them against
// the leaf: lengths, hashes, counts, order, times.
func openRows(b *block, canonical []byte, groups map[uint32]*scan.Group) ([]groupRows, error) {
	if err := b.Check(canonical); err != nil {
		return nil, err
	}
	all := make([]groupRows, len(b.Groups))
	least, most := int64(0), int64(0)
	for i := range b.Groups {
		h := &b.Groups[i]
		g := groups[h.ID]
		if g == nil || len(g.Channels) != h.Channels || g.Device != b.Device {
			return nil, fmt.Errorf("group %d of %d channels is not in groups.bin, or another device's", h.ID, h.Channels)
		}
		times := canonical[:h.Rows*rowSize]
		values := canonical[len(times):groupSize(h)]
		canonical = canonical[groupSize(h):]
		from, to, err := checkTimes(b, h, times)
		if err != nil {
			return nil, err
		}
		if i == 0 || from < least {
			least = from
		}
		if i == 0 || to > most {
			most = to
		}
		all[i] = groupRows{group: g, times: times, values: values, good: h.Good}
		all[i].look()
	}
	if len(all) == 0 || least != b.MinWallMS || most != b.MaxWallMS {
		return nil, fmt.Errorf("its readings are from other times than its leaf says")
	}
	if !spans(all, b.FirstSeq, b.LastSeq) {
		return nil, fmt.Errorf("its scans are not numbered from %d to %d as its leaf says", b.FirstSeq, b.LastSeq)
	}
	return all, nil
}

// spans reports whether the scans begin and end with these numbers.
func spans(all []groupRows, first, last uint64) bool {
	begins, ends := false, false
	for i := range all {
		t := all[i].times
		begins = begins || binary.LittleEndian.Uint64(t) == first
		ends = ends || binary.LittleEndian.Uint64(t[len(t)-rowSize:]) == last
	}
	return begins && ends
}

// checkTimes checks what the rows of a group say against the leaf.
func checkTimes(b *block, h *store.BlockGroup, times []byte) (least, most int64, err error) {
	before, good := uint64(0), 0
	for i := range h.Rows {
		row := times[i*rowSize : (i+1)*rowSize]
		seq, wall := binary.LittleEndian.Uint64(row), int64(binary.LittleEndian.Uint64(row[16:]))
		if seq < b.FirstSeq || seq > b.LastSeq || i > 0 && seq <= before {
			return 0, 0, fmt.Errorf("scan %d of group %d is out of order", seq, h.ID)
		}
		before = seq
		if i == 0 || wall < least {
			least = wall
		}
		if i == 0 || wall > most {
			most = wall
		}
		if scan.Reason(row[28]) == scan.Good {
			good++
		}
	}
	if good != h.Good || h.Rows == 0 {
		return 0, 0, fmt.Errorf("group %d has %d scans with values where its leaf has %d", h.ID, good, h.Good)
	}
	return least, most, nil
}

// look finds the sequence number of the next row.
func (g *groupRows) look() {
	if g.finished = (g.row+1)*rowSize > len(g.times); !g.finished {
		g.seq = binary.LittleEndian.Uint64(g.times[g.row*rowSize:])
	}
}

// take fills s with the next row; its slices are used again.
func (g *groupRows) take(s *scan.Scan, values []int64, quality []scan.Reason) ([]int64, []scan.Reason) {
	row := g.times[g.row*rowSize : (g.row+1)*rowSize]
	s.Group, s.Seq = g.group, g.seq
	s.MonoMS = int64(binary.LittleEndian.Uint64(row[8:]))
	s.WallMS = int64(binary.LittleEndian.Uint64(row[16:]))
	s.DurationMS = binary.LittleEndian.Uint32(row[24:])
	s.Reason = scan.Reason(row[28])
	s.Values, s.Quality = nil, nil
	if s.Reason == scan.Good {
		values, quality = values[:0], quality[:0]
		n := g.good * valueSize
		for c := range g.group.Channels {
			column := g.values[c*n : (c+1)*n]
			values = append(values, int64(binary.LittleEndian.Uint64(column[g.goodRow*8:])))
			quality = append(quality, scan.Reason(column[g.good*8+g.goodRow]))
		}
		s.Values, s.Quality = values, quality
		g.goodRow++
	}
	g.row++
	g.look()
	return values, quality
}

// merger calls a function for each scan of many blocks, in sequence order. It
// holds only the blocks that overlap, which is an hour of all devices.
type merger struct {
	groups map[uint32]*scan.Group
	shifts map[uint32]int64 // by segment, what to add to wall times
	// fetch returns a block's canonical bytes.
	fetch func(*block) ([]byte, error)
	// opened, where set, is told of each block that has been checked.
	opened func(*block) error

	active  []openBlock
	held    int64
	last    uint64 // sequence number of the last scan
	begun   bool
	scan    scan.Scan
	values  []int64
	quality []scan.Reason
}

type openBlock struct {
	*block
	rows []groupRows
}

// maxHeld bounds the canonical bytes that are held at a time, against a bundle
// made to exhaust memory. The store cuts blocks at 2 million values in memory,
// which are 18 MB here and half as much again for their times.
const maxHeld = 256 << 20

// run merges the blocks, which it sorts.
func (m *merger) run(blocks []*block, fn func(*scan.Scan) error) error {
	slices.SortFunc(blocks, func(a, b *block) int {
		if a.FirstSeq < b.FirstSeq {
			return -1
		}
		return 1
	})
	for len(blocks) > 0 || len(m.active) > 0 {
		g, of := m.least()
		for len(blocks) > 0 && (g == nil || blocks[0].FirstSeq <= g.seq) {
			if err := m.open(blocks[0]); err != nil {
				return err
			}
			blocks = blocks[1:]
			g, of = m.least()
		}
		if g == nil {
			continue
		}
		if m.begun && g.seq <= m.last {
			return fmt.Errorf("%w: scan %d is there twice, also in the block of leaf %d", ErrBroken, g.seq, of.leaf)
		}
		m.begun, m.last = true, g.seq
		m.scan.Segment = of.Segment
		m.values, m.quality = g.take(&m.scan, m.values, m.quality)
		m.scan.WallMS += m.shifts[of.Segment]
		if err := fn(&m.scan); err != nil {
			return err
		}
	}
	return nil
}

// least finds the group with the lowest next sequence number and drops blocks
// that are at their end.
func (m *merger) least() (best *groupRows, of *block) {
	for i := 0; i < len(m.active); i++ {
		done := true
		for j := range m.active[i].rows {
			g := &m.active[i].rows[j]
			if g.finished {
				continue
			}
			done = false
			if best == nil || g.seq < best.seq {
				best, of = g, m.active[i].block
			}
		}
		if done {
			m.held -= m.active[i].size()
			m.active = slices.Delete(m.active, i, i+1)
			i--
		}
	}
	return best, of
}

func (m *merger) open(b *block) error {
	if m.held += b.size(); m.held > maxHeld {
		return fmt.Errorf("%w: blocks of more than %d MB overlap", ErrTooLarge, maxHeld>>20)
	}
	canonical, err := m.fetch(b)
	if err != nil {
		return err
	}
	rows, err := openRows(b, canonical, m.groups)
	if err != nil {
		return fmt.Errorf("%w: the block of %s from %s (leaf %d): %w", ErrBroken, b.Device, stamp(b.MinWallMS), b.leaf, err)
	}
	m.active = append(m.active, openBlock{b, rows})
	if m.opened != nil {
		return m.opened(b)
	}
	return nil
}
