package store

import (
	"math"
	"math/bits"

	"loadscribe/agent/scan"
)

// rawCell is a cell in raw numbers of one channel, before scale and offset, so
// that a scale put right later changes what is shown. Two rawCells of the same
// kind merge exactly: the integer kinds sum in 128 bits.
type rawCell struct {
	startMS         int64
	firstMS, lastMS int64
	count           int64
	first, last     int64
	min, max        int64
	sumHi           int64 // integer kinds: 128-bit two's complement
	sumLo           uint64
	sum             float64 // the other kinds
}

// integer reports whether values of kind k are summed as integers.
func integer(k scan.Kind) bool { return k == scan.KindInt || k == scan.KindUint }

// countable reports whether a value can be part of a cell: a NaN is none.
func countable(k scan.Kind, v int64) bool {
	switch k {
	case scan.KindFloat32, scan.KindFloat64:
		return !math.IsNaN(k.Counts(v))
	default:
		return true
	}
}

func less(k scan.Kind, a, b int64) bool {
	switch k {
	case scan.KindInt:
		return a < b
	case scan.KindUint:
		return uint64(a) < uint64(b)
	default:
		return k.Counts(a) < k.Counts(b)
	}
}

// add takes one good value. Values of one cell come in sequence order.
func (c *rawCell) add(k scan.Kind, wallMS, v int64) {
	one := rawCell{firstMS: wallMS, lastMS: wallMS, count: 1, first: v, last: v, min: v, max: v}
	switch k {
	case scan.KindInt:
		one.sumHi, one.sumLo = v>>63, uint64(v)
	case scan.KindUint:
		one.sumLo = uint64(v)
	default:
		one.sum = k.Counts(v)
	}
	c.merge(k, &one)
}

// merge takes a cell of later sequence numbers. First and last go by wall
// time, as all of a cell does; of equal times the first and the last in
// sequence hold.
func (c *rawCell) merge(k scan.Kind, o *rawCell) {
	if o.count == 0 {
		return
	}
	if c.count == 0 {
		start := c.startMS
		*c = *o
		c.startMS = start
		return
	}
	if o.firstMS < c.firstMS {
		c.firstMS, c.first = o.firstMS, o.first
	}
	if o.lastMS >= c.lastMS {
		c.lastMS, c.last = o.lastMS, o.last
	}
	if less(k, o.min, c.min) {
		c.min = o.min
	}
	if less(k, c.max, o.max) {
		c.max = o.max
	}
	c.count += o.count
	var carry uint64
	c.sumLo, carry = bits.Add64(c.sumLo, o.sumLo, 0)
	c.sumHi += o.sumHi + int64(carry)
	c.sum += o.sum
}

// total is the sum of counts.
func (c *rawCell) total(k scan.Kind) float64 {
	if !integer(k) {
		return c.sum
	}
	if c.sumHi == int64(c.sumLo)>>63 { // fits 64 bits: one rounding
		return float64(int64(c.sumLo))
	}
	return float64(c.sumHi)*(1<<64) + float64(c.sumLo)
}

// cell converts to the channel's unit.
func (c *rawCell) cell(ch *scan.Channel) Cell {
	out := Cell{StartMS: c.startMS, FirstMS: c.firstMS, LastMS: c.lastMS, Count: c.count}
	if c.count == 0 {
		return out
	}
	out.First, out.Last = ch.Value(c.first), ch.Value(c.last)
	out.Min, out.Max = ch.Value(c.min), ch.Value(c.max)
	if ch.Scale < 0 {
		out.Min, out.Max = out.Max, out.Min
	}
	out.Sum = c.total(ch.Kind)*ch.Scale + ch.Offset*float64(c.count)
	return out
}

// floorTo returns the greatest multiple of step that is not above t.
func floorTo(t, step int64) int64 {
	r := t % step
	if r < 0 {
		r += step
	}
	return t - r
}
