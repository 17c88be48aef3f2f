package store

import (
	"encoding/binary"
	"fmt"
	"math"
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
// channels' lengths, then the channels of integer kinds, each for itself, then
// one zstd frame of the others.
func appendPack(dst []byte, p *pack, l level, spanStart int64, enc *zstd.Encoder) []byte {
	var data, plain []byte
	var e cellWriter
	dst = appendInt(dst, spanStart/l.stepMS)
	dst = binary.AppendUvarint(dst, uint64(len(p.groups)))
	for i := range p.groups {
		g := &p.groups[i]
		dst = binary.AppendUvarint(dst, uint64(g.id))
		dst = binary.AppendUvarint(dst, uint64(len(g.cells)))
		var before []rawCell
		for c, cells := range g.cells {
			size := len(data) + len(plain)
			switch {
			case len(cells) == 0:
			case integer(g.kinds[c]):
				plain = e.append(plain, cells, before, g.kinds[c], l, spanStart)
				before = cells
			default:
				data = appendCells(data, cells, l, spanStart)
			}
			dst = append(dst, byte(g.kinds[c]))
			dst = binary.AppendUvarint(dst, uint64(len(cells)))
			dst = binary.AppendUvarint(dst, uint64(len(data)+len(plain)-size))
		}
	}
	dst = append(dst, plain...)
	dst = binary.AppendUvarint(dst, uint64(len(data)))
	return enc.EncodeAll(data, dst)
}

// packEntry is what a pack's directory says of a channel.
type packEntry struct {
	kind  scan.Kind
	cells uint64
	size  uint64
	bits  bool   // it stands outside the zstd frame
	at    uint64 // there or in the frame
}

// leastCellBytes is the least a cell of a frame can take: eight numbers and a
// sum of a byte each.
const leastCellBytes = 9

// readDirectory takes the head of a pack off r; packed is how long the frame's
// data are.
func readDirectory(version byte, r *reader, l level) (p *pack, dirs [][]packEntry, plain []byte, packed uint64, err error) {
	damaged := fmt.Errorf("%w: cell pack", ErrDamaged)
	p = &pack{groups: make([]packGroup, r.count(2))}
	dirs = make([][]packEntry, len(p.groups))
	unpacked := uint64(0)
	for i := range p.groups {
		p.groups[i].id = uint32(r.uint())
		channels := r.count(3)
		if channels > maxChannels {
			return nil, nil, nil, 0, damaged
		}
		dirs[i] = make([]packEntry, channels)
		for c := range dirs[i] {
			e := packEntry{kind: scan.Kind(r.byte()), cells: r.uint(), size: r.uint(), at: packed}
			if e.cells > uint64(l.spanMS/l.stepMS) || e.size > 200*(e.cells+1) {
				return nil, nil, nil, 0, damaged
			}
			e.bits = version > 1 && integer(e.kind)
			switch {
			case e.bits:
				e.at = unpacked
				unpacked += e.size
			case e.size < leastCellBytes*e.cells:
				return nil, nil, nil, 0, damaged
			default:
				packed += e.size
			}
			dirs[i][c] = e
		}
	}
	plain = r.take(unpacked)
	// as in readList
	if size := r.uint(); r.bad || size != packed || size > maxPack || size > 20000*uint64(len(r.b)) {
		return nil, nil, nil, 0, damaged
	}
	return p, dirs, plain, packed, nil
}

// readPack decodes a pack. wanted says which channel of a group is: its place,
// or allChannels.
func readPack(version byte, body []byte, l level, d *columnDecoder, wanted func(id uint32, channels int) (channel int, ok bool)) (*pack, int64, error) {
	r := reader{b: body}
	first := r.int()
	if first > math.MaxInt64/l.stepMS || first < math.MinInt64/l.stepMS {
		return nil, 0, fmt.Errorf("%w: cell pack", ErrDamaged)
	}
	spanStart := first * l.stepMS
	p, dirs, plain, size, err := readDirectory(version, &r, l)
	if err != nil {
		return nil, 0, err
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
		var inBits cellBits
		for c := range dirs[i] {
			e := dirs[i][c]
			g.kinds[c] = e.kind
			wanted := ok && (channel == allChannels || channel == c)
			switch {
			case e.cells == 0 && e.size > 0:
				return nil, 0, fmt.Errorf("%w: cell pack", ErrDamaged)
			case e.cells == 0:
			case e.bits && (wanted || ok && channel > c):
				g.cells[c], err = inBits.read(plain[e.at:e.at+e.size], int(e.cells), e.kind, l, spanStart, wanted)
			case wanted && !e.bits:
				g.cells[c], err = readCells(data[e.at:e.at+e.size], int(e.cells), e.kind, l, spanStart)
			}
			if err != nil {
				return nil, 0, err
			}
		}
	}
	return p, spanStart, nil
}
