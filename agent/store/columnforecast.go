package store

import (
	"encoding/binary"
	"fmt"
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
	precision   uint8
	first       int64
	// value = first + step·row + factor·(high<<shift | low)
	shift  uint8
	factor int64
	step   int64
	starts [lanes]int64 // each lane's first high; starts[0] is 0
}

// rowsOf returns the number of lanes and how many rows each but the last has.
func (h *forecastHead) rowsOf(n int) (count, rows int) {
	if !h.laned {
		return 1, n
	}
	return lanes, (n + lanes - 1) / lanes
}

func (h *forecastHead) append(b []byte) []byte {
	shape := h.window | h.contextBits<<shapeContext
	if h.line {
		shape |= shapeLine
	}
	if h.laned {
		shape |= shapeLanes
	}
	wide := h.shift != 0 || h.factor != 1 || h.step != 0
	if wide {
		shape |= shapeWide
	}
	b = append(b, shape, h.precision)
	b = binary.AppendUvarint(b, uint64(h.reset))
	b = appendInt(b, h.first)
	if wide {
		b = append(b, h.shift)
		b = appendInt(b, h.factor)
		b = appendInt(b, h.step)
	}
	if h.laned {
		for i := 1; i < lanes; i++ {
			b = appendInt(b, h.starts[i]-h.starts[i-1])
		}
	}
	return b
}

// read takes the head of a column of n values off r.
func (h *forecastHead) read(r *reader, n int) error {
	shape := r.byte()
	*h = forecastHead{forecaster: forecaster{line: shape&shapeLine != 0, window: shape & 7},
		contextBits: shape >> shapeContext & 3, laned: shape&shapeLanes != 0, precision: r.byte(), factor: 1}
	h.reset = int64(r.uint())
	h.first = r.int()
	if shape&shapeWide != 0 {
		h.shift, h.factor, h.step = r.byte(), r.int(), r.int()
	}
	if h.laned {
		for i := 1; i < lanes; i++ {
			h.starts[i] = h.starts[i-1] + r.int()
		}
	}
	if r.bad || n == 0 || h.contextBits > maxContextBits || h.precision < minPrecision || h.precision > maxPrecision || h.shift > 63 ||
		h.reset < 0 || h.reset > 1<<40 || h.laned && n < minLanedRows {
		return fmt.Errorf("%w: head of a forecast column of %d values", ErrDamaged, n)
	}
	return nil
}

// forecastReader decodes forecast columns. Its memory is reused.
type forecastReader struct {
	head  forecastHead
	slots [maxTables * tableSlots]uint32
	words []byte
}

// decode fills out, which is not empty, from a column that is the whole of b.
func (d *forecastReader) decode(b []byte, out []int64) error {
	h := &d.head
	r := reader{b: b}
	if err := h.read(&r, len(out)); err != nil {
		return err
	}
	if err := d.tables(&r); err != nil {
		return err
	}
	low := r.take((uint64(len(out))*uint64(h.shift) + 7) / 8)
	escapes := reader{b: r.take(r.uint())}
	if r.bad {
		return fmt.Errorf("%w: forecast column", ErrDamaged)
	}
	// the words get room behind them, so that reading one is never beyond
	d.words = append(append(d.words[:0], r.b...), make([]byte, 2*lanes)...)
	if err := d.values(out, &escapes); err != nil {
		return err
	}
	h.finish(out, low)
	return nil
}

func (d *forecastReader) tables(r *reader) error {
	bits := bitReader{b: r.b}
	var classes [maxSymbols]uint8
	var freq [maxSymbols]uint16
	for i := range 1 << d.head.contextBits {
		read, err := readClasses(&bits, &classes)
		if err != nil {
			return err
		}
		shares, err := frequencies(read, d.head.precision, &freq)
		if err != nil {
			return err
		}
		fillSlots(d.slots[i<<maxPrecision:][:1<<d.head.precision], shares)
	}
	r.b = bits.b
	return nil
}

// values decodes the high parts.
func (d *forecastReader) values(out []int64, escapes *reader) error {
	h := &d.head
	g := h.gains()
	count, rows := h.rowsOf(len(out))
	var fc [lanes]forecast
	var state [lanes]uint64
	at := 4 * count
	if len(d.words) < at+2*lanes {
		return fmt.Errorf("%w: forecast column without states", ErrDamaged)
	}
	for l := range count {
		fc[l] = begin(h.starts[l])
		out[l*rows] = h.starts[l]
		state[l] = uint64(binary.LittleEndian.Uint32(d.words[4*l:]))
	}
	end := len(d.words) - 2*lanes
	mask := uint64(1)<<h.precision - 1
	for i := 1; i < rows; i++ {
		if at > end {
			return fmt.Errorf("%w: forecast column ends early", ErrDamaged)
		}
		for l := range count {
			if l*rows+i >= len(out) {
				break
			}
			f := &fc[l]
			base, mirror, context := place(f.at, h.contextBits)
			x := state[l]
			slot := d.slots[context<<maxPrecision|uint32(x&mask)]
			x = uint64(slot>>12&0xfff+1)*(x>>h.precision) + uint64(slot&0xfff)
			if x < stateLow {
				x = x<<wordBits | uint64(binary.LittleEndian.Uint16(d.words[at:]))
				at += 2
			}
			state[l] = x
			res := int64(int32(slot) >> 24)
			if res == escapeMark {
				res = escapes.int()
			}
			v := unresidual(base, mirror, res)
			out[l*rows+i] = v
			f.next(&h.forecaster, g, v)
		}
	}
	for l := range count {
		if state[l] != stateLow {
			return fmt.Errorf("%w: forecast column does not end where it began", ErrDamaged)
		}
	}
	if at != end || escapes.bad || len(escapes.b) != 0 {
		return fmt.Errorf("%w: forecast column does not have %d values", ErrDamaged, len(out))
	}
	return nil
}

// finish turns high parts and low bits into values.
func (h *forecastHead) finish(out []int64, low []byte) {
	if h.shift > 0 {
		bits := bitReader{b: low}
		for i := range out {
			out[i] = out[i]<<h.shift | int64(bits.take64(uint(h.shift)))
		}
	}
	if h.factor != 1 || h.step != 0 {
		at := h.first
		for i := range out {
			out[i] = at + h.factor*out[i]
			at += h.step
		}
		return
	}
	if h.first != 0 {
		for i := range out {
			out[i] += h.first
		}
	}
}
