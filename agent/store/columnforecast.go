package store

import (
	"encoding/binary"
	"fmt"
	"math"
)

// A forecast column, encoding 6 (FORMAT.md has it byte by byte):
//
//	shape, how to forecast, first value, how values become whole small numbers
//	tables · low bits · escapes · entropy-coded residuals
const (
	shapeLine    = 1 << 3 // bits 0-2: window
	shapeContext = 4      // bits 4-5: contextBits
	shapeLanes   = 1 << 6 // four lanes, else one
	shapeWide    = 1 << 7 // shift, factor and step are told

	lanes        = 4
	minLanedRows = 4 * lanes // shorter columns cannot have lanes
	stateLow     = 1 << 16   // states are from here to 1<<32
	wordBits     = 16
)

// forecastHead is all that a forecast column says before its tables.
type forecastHead struct {
	forecaster
	contextBits uint8
	laned       bool
	first       int64
	// value = first + step·row + factor·(high<<shift | low)
	shift  uint8
	factor int64
	step   int64
	starts [lanes]int64 // each lane's first high
}

func (h *forecastHead) lanes() int {
	if h.laned {
		return lanes
	}
	return 1
}

// rowsOf returns the number of lanes and how many rows each but the last has.
func (h *forecastHead) rowsOf(n int) (count, rows int) {
	count = h.lanes()
	return count, (n + count - 1) / count
}

func (h *forecastHead) append(b []byte) []byte {
	shape := h.window | h.contextBits<<shapeContext
	if h.line {
		shape |= shapeLine
	}
	if h.laned {
		shape |= shapeLanes
	}
	wide := h.first != 0 || h.shift != 0 || h.factor != 1 || h.step != 0
	if wide {
		shape |= shapeWide
	}
	b = append(b, shape)
	b = binary.AppendUvarint(b, uint64(h.reset))
	if wide {
		b = appendInt(b, h.first)
		b = append(b, h.shift)
		b = appendInt(b, h.factor)
		b = appendInt(b, h.step)
	}
	last, count := int64(0), h.lanes()
	for _, start := range h.starts[:count] {
		b = appendInt(b, start-last)
		last = start
	}
	return b
}

// read takes the head of a column of n values off r.
func (h *forecastHead) read(r *reader, n int) error {
	shape := r.byte()
	*h = forecastHead{forecaster: forecaster{line: shape&shapeLine != 0, window: shape & 7},
		contextBits: shape >> shapeContext & 3, laned: shape&shapeLanes != 0, factor: 1}
	h.reset = int64(r.uint())
	if shape&shapeWide != 0 {
		h.first, h.shift, h.factor, h.step = r.int(), r.byte(), r.int(), r.int()
	}
	last := int64(0)
	for i := range h.starts[:h.lanes()] {
		last += r.int()
		h.starts[i] = last
	}
	if r.bad || n == 0 || h.contextBits > maxContextBits || h.shift > 63 ||
		h.reset < 0 || h.reset > 1<<40 || h.laned && n < minLanedRows {
		return fmt.Errorf("%w: head of a forecast column of %d values", ErrDamaged, n)
	}
	return nil
}

// limit is what an error must not be above, in 256ths, for a forecaster to go
// on: what cannot be passed where there is no reset.
func (f *forecaster) limit() int64 {
	if f.reset == 0 {
		return math.MaxInt64 / 2
	}
	return f.reset << fractionBits
}

// finish turns high parts and low bits into values.
func (h *forecastHead) finish(out []int64, low []byte) {
	if h.shift > 0 {
		bits := bitReader{b: low}
		for i := range out {
			out[i] = out[i]<<h.shift | int64(bits.take64(uint(h.shift)))
		}
	}
	if h.first != 0 || h.factor != 1 || h.step != 0 {
		at := h.first
		for i := range out {
			out[i] = at + h.factor*out[i]
			at += h.step
		}
	}
}
