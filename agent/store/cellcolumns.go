package store

import (
	"encoding/binary"
	"fmt"
	"math"
	"math/bits"

	"loadscribe/agent/scan"
)

// appendCells writes a channel's cells as version 1 did, column after column
// of whole bytes, for zstd to pack: those of kinds that are no integers still
// are.
func appendCells(b []byte, cells []rawCell, l level, spanStart int64) []byte {
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
		b = binary.LittleEndian.AppendUint64(b, math.Float64bits(cells[i].sum))
	}
	return b
}

// product is count·v in 128 bits, count above 0.
func product(k scan.Kind, count, v int64) (hi int64, lo uint64) {
	h, l := bits.Mul64(uint64(count), uint64(v))
	if k == scan.KindInt && v < 0 {
		h -= uint64(count) // two's complement: v = uint64(v) − 2^64
	}
	return int64(h), l
}

// meanOf is sum ÷ count rounded towards 0, of an integer kind; not ok where no
// readings have that sum.
func meanOf(k scan.Kind, c *rawCell) (mean int64, ok bool) {
	hi, lo := uint64(c.sumHi), c.sumLo
	negative := k == scan.KindInt && c.sumHi < 0
	if negative {
		var borrow uint64
		lo, borrow = bits.Sub64(0, lo, 0)
		hi = -hi - borrow
	}
	if hi >= uint64(c.count) {
		return 0, false
	}
	size, _ := bits.Div64(hi, lo, uint64(c.count))
	if negative {
		return -int64(size), size <= 1<<63
	}
	return int64(size), k == scan.KindUint || size < 1<<63
}

// cellReader takes varints off the columns of cells. It has a place in b
// rather than being a reader: a pointer written for each number is dear while
// the garbage collector runs.
type cellReader struct {
	b  []byte
	at int // beyond len(b): something did not fit
}

func (r *cellReader) uint() uint64 {
	if r.at < len(r.b) && r.b[r.at] < 0x80 {
		r.at++
		return uint64(r.b[r.at-1])
	}
	v, n := binary.Uvarint(r.b[min(r.at, len(r.b)):])
	if n <= 0 {
		r.at = len(r.b) + 1
		return 0
	}
	r.at += n
	return v
}

func (r *cellReader) int() int64 { return unzigzag(r.uint()) }

func (r *cellReader) fixed64() uint64 {
	if r.at+8 > len(r.b) {
		r.at = len(r.b) + 1
		return 0
	}
	r.at += 8
	return binary.LittleEndian.Uint64(r.b[r.at-8:])
}

// excess is sum − count·first of an integer kind: few bits as a rule, else 128.
func (r *cellReader) excess() (hi int64, lo uint64) {
	if u := r.uint(); u&1 == 0 {
		v := unzigzag(u >> 1)
		return v >> 63, uint64(v)
	}
	lo = r.fixed64()
	return int64(r.fixed64()), lo
}

// readCells decodes the n cells of a channel, which are all of b.
func readCells(b []byte, n int, k scan.Kind, l level, spanStart int64) ([]rawCell, error) {
	cells := make([]rawCell, n)
	r := &cellReader{b: b}
	before := rawCell{startMS: spanStart - l.stepMS}
	for i := range cells {
		cells[i].startMS = before.startMS + r.int()*l.stepMS
		before.startMS = cells[i].startMS
	}
	for i := range cells {
		cells[i].count = before.count + r.int()
		before.count = cells[i].count
	}
	for i := range cells {
		cells[i].firstMS = cells[i].startMS + r.int()
	}
	for i := range cells {
		cells[i].lastMS = cells[i].firstMS + r.int()
	}
	if err := inOrder(cells, l, spanStart); err != nil {
		return nil, err
	}
	if !r.values(cells, k) || r.at != len(b) {
		return nil, fmt.Errorf("%w: cells", ErrDamaged)
	}
	return cells, nil
}

// inOrder refuses cells that do not follow each other in the span.
func inOrder(cells []rawCell, l level, spanStart int64) error {
	for i := range cells {
		c := &cells[i]
		if c.count < 1 || i > 0 && c.startMS <= cells[i-1].startMS || c.startMS < spanStart ||
			c.startMS >= spanStart+l.spanMS || (c.startMS-spanStart)%l.stepMS != 0 {
			return fmt.Errorf("%w: cells out of order", ErrDamaged)
		}
	}
	return nil
}

// values reads what follows the times.
func (r *cellReader) values(cells []rawCell, k scan.Kind) bool {
	for i := range cells {
		cells[i].first = r.int() // less the last of the cell before, which comes next
	}
	last := int64(0)
	for i := range cells {
		c := &cells[i]
		c.first += last
		c.last = c.first + r.int()
		last = c.last
	}
	for i := range cells {
		cells[i].min = cells[i].first - r.int()
	}
	for i := range cells {
		cells[i].max = cells[i].first + r.int()
	}
	for i := range cells {
		c := &cells[i]
		if !integer(k) {
			c.sum = math.Float64frombits(r.fixed64())
			continue
		}
		hi, lo := r.excess()
		ph, pl := product(k, c.count, c.first)
		var carry uint64
		c.sumLo, carry = bits.Add64(lo, pl, 0)
		c.sumHi = hi + ph + int64(carry)
		if _, ok := meanOf(k, c); !ok {
			return false
		}
	}
	return true
}
