package store

import (
	"encoding/binary"
	"fmt"
	"slices"

	"loadscribe/agent/scan"
)

// leafScans calls fn for each scan of a block's canonical bytes, in sequence
// order. groups finds a group by its ID. The scan and its slices are reused.
// Wall times are those of the block, without what a segment's correction adds.
func leafScans(b *BlockLeaf, canonical []byte, groups map[uint32]*scan.Group, fn func(*scan.Scan) error) error {
	parts := make([]canonicalGroup, len(b.Groups))
	for i := range b.Groups {
		g := &b.Groups[i]
		group := groups[g.ID]
		if group == nil || len(group.Channels) != g.Channels {
			return fmt.Errorf("%w: block with group %d of %d channels, which is not known", ErrDamaged, g.ID, g.Channels)
		}
		n := g.canonicalSize()
		if n > len(canonical) {
			return fmt.Errorf("%w: a block's canonical bytes are too few", ErrDamaged)
		}
		parts[i] = canonicalGroup{group: group, rows: g.Rows, good: g.Good,
			times: canonical[:rowBytes*g.Rows], values: canonical[rowBytes*g.Rows : n]}
		canonical = canonical[n:]
	}
	sc := scan.Scan{Segment: b.Segment}
	var buf rowBuffer
	for {
		var best *canonicalGroup
		for i := range parts {
			if p := &parts[i]; len(p.times) > 0 && (best == nil || p.seq() < best.seq()) {
				best = p
			}
		}
		if best == nil {
			for i := range parts {
				if p := &parts[i]; p.next != p.good {
					return fmt.Errorf("%w: group %d has fewer good rows than its leaf says", ErrDamaged, p.group.ID)
				}
			}
			return nil
		}
		if err := best.take(&sc, &buf); err != nil {
			return err
		}
		if err := fn(&sc); err != nil {
			return err
		}
	}
}

// canonicalGroup reads a group's canonical bytes row by row.
type canonicalGroup struct {
	group      *scan.Group
	rows, good int
	next       int    // good row that comes next
	times      []byte // of the rows that are left
	values     []byte
}

func (g *canonicalGroup) seq() uint64 { return binary.LittleEndian.Uint64(g.times) }

func (g *canonicalGroup) take(s *scan.Scan, buf *rowBuffer) error {
	t := g.times
	g.times = t[rowBytes:]
	s.Group, s.Seq = g.group, binary.LittleEndian.Uint64(t)
	s.MonoMS, s.WallMS = int64(binary.LittleEndian.Uint64(t[8:])), int64(binary.LittleEndian.Uint64(t[16:]))
	s.DurationMS, s.Reason = binary.LittleEndian.Uint32(t[24:]), scan.Reason(t[28])
	s.Values, s.Quality = nil, nil
	if s.Reason != scan.Good {
		return nil
	}
	if g.next == g.good {
		return fmt.Errorf("%w: group %d has more good rows than its leaf says", ErrDamaged, g.group.ID)
	}
	row := g.next
	g.next++
	buf.values, buf.quality = buf.values[:0], buf.quality[:0]
	for c := range g.group.Channels {
		column := g.values[9*g.good*c : 9*g.good*(c+1)]
		buf.values = append(buf.values, int64(binary.LittleEndian.Uint64(column[8*row:])))
		buf.quality = append(buf.quality, scan.Reason(column[8*g.good+row]))
	}
	s.Values = buf.values
	if slices.ContainsFunc(buf.quality, func(r scan.Reason) bool { return r != scan.Good }) {
		s.Quality = buf.quality
	}
	return nil
}
