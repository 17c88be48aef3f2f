package store

import (
	"encoding/binary"
	"fmt"
	"math"
	"math/bits"
	"slices"

	"github.com/klauspost/compress/zstd"

	"loadscribe/agent/scan"
)

const (
	secondMS = int64(1000)
	minuteMS = 60 * secondMS
	hourMS   = 60 * minuteMS
	dayMS    = 24 * hourMS
)

// level is one level of the zoom pyramid: cells of stepMS, packed for one
// device and spanMS.
type level struct {
	number byte
	stepMS int64
	spanMS int64
}

// levels from fine to coarse. Below the first, raw blocks are read.
var levels = [3]level{ // read only
	{1, minuteMS, hourMS},
	{2, 15 * minuteMS, dayMS},
	{3, 2 * hourMS, dayMS},
}

// pack is the cells of one device, level and span: what one value of the
// database holds. Of each channel only cells that hold a value are there, in
// time order.
type pack struct {
	groups []packGroup
}

type packGroup struct {
	id    uint32
	kinds []scan.Kind
	cells [][]rawCell // a channel
}

func (p *pack) group(g *scan.Group) *packGroup {
	for i := range p.groups {
		if p.groups[i].id == g.ID {
			return &p.groups[i]
		}
	}
	pg := packGroup{id: g.ID, kinds: make([]scan.Kind, len(g.Channels)), cells: make([][]rawCell, len(g.Channels))}
	for i := range g.Channels {
		pg.kinds[i] = g.Channels[i].Kind
	}
	p.groups = append(p.groups, pg)
	return &p.groups[len(p.groups)-1]
}

// cellAt finds or makes the cell of channel c that starts at startMS.
func (g *packGroup) cellAt(c int, startMS int64) *rawCell {
	cells := g.cells[c]
	if n := len(cells); n > 0 && cells[n-1].startMS == startMS {
		return &cells[n-1] // nearly always
	}
	i, found := slices.BinarySearchFunc(cells, startMS, func(c rawCell, t int64) int {
		switch {
		case c.startMS < t:
			return -1
		case c.startMS > t:
			return 1
		}
		return 0
	})
	if !found {
		g.cells[c] = slices.Insert(cells, i, rawCell{startMS: startMS})
	}
	return &g.cells[c][i]
}

// addScan counts a scan into cells of stepMS.
func (p *pack) addScan(s *scan.Scan, stepMS int64) {
	if s.Reason != scan.Good {
		return
	}
	g := p.group(s.Group)
	start := floorTo(s.WallMS, stepMS)
	for c, v := range s.Values {
		if s.Quality != nil && s.Quality[c] != scan.Good || !countable(g.kinds[c], v) {
			continue
		}
		g.cellAt(c, start).add(g.kinds[c], s.WallMS, v)
	}
}

// merge takes a pack of later sequence numbers.
func (p *pack) merge(o *pack, group func(uint32) *scan.Group) error {
	for i := range o.groups {
		og := &o.groups[i]
		known := group(og.id)
		if known == nil || len(known.Channels) != len(og.cells) {
			return fmt.Errorf("%w: cells of group %d, which is not known", ErrDamaged, og.id)
		}
		g := p.group(known)
		for c := range og.cells {
			for j := range og.cells[c] {
				cell := &og.cells[c][j]
				g.cellAt(c, cell.startMS).merge(g.kinds[c], cell)
			}
		}
	}
	return nil
}

// coarser folds a pack's cells into cells of stepMS.
func (p *pack) coarser(stepMS int64, into *pack) {
	for i := range p.groups {
		g := &p.groups[i]
		var t *packGroup
		for j := range into.groups {
			if into.groups[j].id == g.id {
				t = &into.groups[j]
			}
		}
		if t == nil {
			into.groups = append(into.groups, packGroup{id: g.id, kinds: g.kinds, cells: make([][]rawCell, len(g.cells))})
			t = &into.groups[len(into.groups)-1]
		}
		for c := range g.cells {
			for k := range g.cells[c] {
				cell := &g.cells[c][k]
				t.cellAt(c, floorTo(cell.startMS, stepMS)).merge(g.kinds[c], cell)
			}
		}
	}
}

// appendPack writes a pack as the body of a value: a directory of the
// channels' lengths, then one zstd frame of their columns.
func appendPack(dst []byte, p *pack, l level, spanStart int64, enc *zstd.Encoder) []byte {
	var data []byte
	dst = appendInt(dst, spanStart/l.stepMS)
	dst = binary.AppendUvarint(dst, uint64(len(p.groups)))
	for i := range p.groups {
		g := &p.groups[i]
		dst = binary.AppendUvarint(dst, uint64(g.id))
		dst = binary.AppendUvarint(dst, uint64(len(g.cells)))
		for c := range g.cells {
			before := len(data)
			data = appendCells(data, g.cells[c], g.kinds[c], l, spanStart)
			dst = append(dst, byte(g.kinds[c]))
			dst = binary.AppendUvarint(dst, uint64(len(g.cells[c])))
			dst = binary.AppendUvarint(dst, uint64(len(data)-before))
		}
	}
	dst = binary.AppendUvarint(dst, uint64(len(data)))
	return enc.EncodeAll(data, dst)
}

func appendCells(b []byte, cells []rawCell, k scan.Kind, l level, spanStart int64) []byte {
	column := func(f func(c, before *rawCell) int64) {
		before := &rawCell{startMS: spanStart - l.stepMS}
		for i := range cells {
			b = appendInt(b, f(&cells[i], before))
			before = &cells[i]
		}
	}
	column(func(c, p *rawCell) int64 { return (c.startMS - p.startMS) / l.stepMS })
	column(func(c, p *rawCell) int64 { return c.count - p.count })
	column(func(c, p *rawCell) int64 { return c.firstMS - c.startMS })
	column(func(c, p *rawCell) int64 { return c.lastMS - c.firstMS })
	column(func(c, p *rawCell) int64 { return c.first - p.last })
	column(func(c, p *rawCell) int64 { return c.last - c.first })
	column(func(c, p *rawCell) int64 { return c.first - c.min })
	column(func(c, p *rawCell) int64 { return c.max - c.first })
	for i := range cells {
		c := &cells[i]
		if !integer(k) {
			b = binary.LittleEndian.AppendUint64(b, math.Float64bits(c.sum))
			continue
		}
		hi, lo := excess(k, c)
		if hi == int64(lo)>>63 && (int64(lo) < 0) == (int64(lo)<<1 < 0) {
			b = binary.AppendUvarint(b, zigzag(int64(lo))<<1)
			continue
		}
		b = binary.AppendUvarint(b, 1) // 16 bytes follow
		b = binary.LittleEndian.AppendUint64(b, lo)
		b = binary.LittleEndian.AppendUint64(b, uint64(hi))
	}
	return b
}

// excess is sum − count·first, which is small where the sum is large.
func excess(k scan.Kind, c *rawCell) (hi int64, lo uint64) {
	ph, pl := product(k, c)
	lo, borrow := bits.Sub64(c.sumLo, pl, 0)
	return c.sumHi - ph - int64(borrow), lo
}

// product is count·first in 128 bits.
func product(k scan.Kind, c *rawCell) (hi int64, lo uint64) {
	h, l := bits.Mul64(uint64(c.count), uint64(c.first))
	if k == scan.KindInt && c.first < 0 {
		h -= uint64(c.count) // two's complement: first = uint64(first) − 2^64
	}
	return int64(h), l
}

// readPack decodes a pack. only restricts it to one channel of one group: its
// place, or allChannels. into is reused.
func readPack(body []byte, l level, d *columnDecoder, wanted func(id uint32, channels int) (channel int, ok bool)) (*pack, int64, error) {
	r := reader{b: body}
	first := r.int()
	if first > math.MaxInt64/l.stepMS || first < math.MinInt64/l.stepMS {
		return nil, 0, fmt.Errorf("%w: cell pack", ErrDamaged)
	}
	spanStart := first * l.stepMS
	type dir struct {
		kind      scan.Kind
		cells, at uint64
		size      uint64
	}
	p := &pack{groups: make([]packGroup, r.count(2))}
	dirs := make([][]dir, len(p.groups))
	at := uint64(0)
	for i := range p.groups {
		p.groups[i].id = uint32(r.uint())
		dirs[i] = make([]dir, r.count(3))
		for c := range dirs[i] {
			e := dir{kind: scan.Kind(r.byte()), cells: r.uint(), size: r.uint(), at: at}
			if e.cells > uint64(l.spanMS/l.stepMS) || e.size > 200*e.cells { // 9 varints, a sum of 17
				return nil, 0, fmt.Errorf("%w: cell pack", ErrDamaged)
			}
			at += e.size
			dirs[i][c] = e
		}
	}
	size := r.uint()
	if r.bad || size != at {
		return nil, 0, fmt.Errorf("%w: cell pack", ErrDamaged)
	}
	if uint64(cap(d.raw)) < size {
		d.raw = make([]byte, 0, size)
	}
	data, err := d.dec.DecodeAll(r.b, d.raw[:0:size])
	if err != nil || uint64(len(data)) != size {
		return nil, 0, fmt.Errorf("%w: cell pack: %v", ErrDamaged, err)
	}
	for i := range p.groups {
		g := &p.groups[i]
		g.kinds, g.cells = make([]scan.Kind, len(dirs[i])), make([][]rawCell, len(dirs[i]))
		channel, ok := wanted(g.id, len(dirs[i]))
		for c := range dirs[i] {
			e := dirs[i][c]
			g.kinds[c] = e.kind
			if !ok || channel != allChannels && channel != c {
				continue
			}
			if g.cells[c], err = readCells(data[e.at:e.at+e.size], int(e.cells), e.kind, l, spanStart); err != nil {
				return nil, 0, err
			}
		}
	}
	return p, spanStart, nil
}

func readCells(b []byte, n int, k scan.Kind, l level, spanStart int64) ([]rawCell, error) {
	cells := make([]rawCell, n)
	// a place in b rather than a reader: a pointer written for each number is
	// dear while the garbage collector runs
	at := 0
	next := func() int64 {
		if at < len(b) && b[at] < 0x80 {
			at++
			return unzigzag(uint64(b[at-1]))
		}
		v, n := binary.Uvarint(b[min(at, len(b)):])
		if n <= 0 {
			at = len(b) + 1 // beyond the end for good
			return 0
		}
		at += n
		return unzigzag(v)
	}
	column := func(f func(c, before *rawCell, v int64)) {
		before := &rawCell{startMS: spanStart - l.stepMS}
		for i := range cells {
			f(&cells[i], before, next())
			before = &cells[i]
		}
	}
	column(func(c, p *rawCell, v int64) { c.startMS = p.startMS + v*l.stepMS })
	column(func(c, p *rawCell, v int64) { c.count = p.count + v })
	column(func(c, p *rawCell, v int64) { c.firstMS = c.startMS + v })
	column(func(c, p *rawCell, v int64) { c.lastMS = c.firstMS + v })
	// first is told from the last of the cell before: both columns are needed
	firsts := make([]int64, n)
	for i := range firsts {
		firsts[i] = next()
	}
	column(func(c, p *rawCell, v int64) { c.last = v })
	last := int64(0)
	for i := range cells {
		cells[i].first = last + firsts[i]
		cells[i].last += cells[i].first
		last = cells[i].last
	}
	column(func(c, p *rawCell, v int64) { c.min = c.first - v })
	column(func(c, p *rawCell, v int64) { c.max = c.first + v })
	r := reader{b: b[min(at, len(b)):], bad: at > len(b)}
	for i := range cells {
		c := &cells[i]
		if !integer(k) {
			c.sum = math.Float64frombits(r.fixed64())
			continue
		}
		var hi int64
		var lo uint64
		if u := r.uint(); u&1 == 0 {
			v := unzigzag(u >> 1)
			hi, lo = v>>63, uint64(v)
		} else {
			lo, hi = r.fixed64(), int64(r.fixed64())
		}
		ph, pl := product(k, c)
		var carry uint64
		c.sumLo, carry = bits.Add64(lo, pl, 0)
		c.sumHi = hi + ph + int64(carry)
	}
	if r.bad || len(r.b) != 0 {
		return nil, fmt.Errorf("%w: cells", ErrDamaged)
	}
	for i := range cells {
		if cells[i].count < 1 || i > 0 && cells[i].startMS <= cells[i-1].startMS ||
			cells[i].startMS < spanStart || cells[i].startMS >= spanStart+l.spanMS {
			return nil, fmt.Errorf("%w: cells out of order", ErrDamaged)
		}
	}
	return cells, nil
}
