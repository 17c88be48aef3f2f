package store

import (
	"encoding/binary"
	"math"
	"slices"
)

// forecastWriter encodes forecast columns. Its memory is reused.
type forecastWriter struct {
	high    []int64 // what is forecast
	low     []byte
	coded   []codedValue // in decoding order
	escapes []byte
	words   []uint16
	hist    [maxTables][maxSymbols]uint32
	freq    [maxTables][maxSymbols]uint16
	below   [maxTables][maxSymbols + 1]uint32
	sample  []int64
	sizes   [2][]uint64
}

// codedValue is a value as the tables see it.
type codedValue struct {
	residual uint64 // its zig-zag
	lane     uint8
	context  uint8
	symbol   uint8
}

// encode appends v, which is not empty, as a forecast column.
func (e *forecastWriter) encode(dst []byte, v []int64) []byte {
	var h forecastHead
	e.shape(&h, v)
	h.laned = len(v) >= lanedRows
	e.choose(&h)
	e.forecast(&h)
	e.cutTables(&h)
	count, rows := h.rowsOf(len(v))
	for l := range count {
		h.starts[l] = e.high[l*rows]
	}
	dst = h.append(dst)
	dst = e.appendTables(dst, &h)
	dst = append(dst, e.low...)
	dst = appendBytes(dst, e.escapes)
	return e.appendStates(dst, &h)
}

// forecast fills coded and hist.
func (e *forecastWriter) forecast(h *forecastHead) {
	g := h.gains()
	count, rows := h.rowsOf(len(e.high))
	var at [lanes]forecast
	for l := range count {
		at[l] = begin(e.high[l*rows])
	}
	e.coded, e.hist = e.coded[:0], [maxTables][maxSymbols]uint32{}
	for i := 1; i < rows; i++ {
		for l := range count {
			if l*rows+i >= len(e.high) {
				break
			}
			value, f := e.high[l*rows+i], &at[l]
			base, mirror, context := place(f.at, h.contextBits)
			c := codedValue{residual: zigzag(residual(base, mirror, value)), lane: uint8(l), context: uint8(context)}
			if c.residual < maxSymbols-1 {
				c.symbol = uint8(c.residual) + 1
			}
			e.hist[context][c.symbol]++
			e.coded = append(e.coded, c)
			f.next(&h.forecaster, g, value)
		}
	}
}

// cutTables cuts off the symbols that are not worth a place in the tables,
// and fills escapes.
func (e *forecastWriter) cutTables(h *forecastHead) {
	var last [maxTables]int
	for c := range 1 << h.contextBits {
		last[c] = lastSymbol(&e.hist[c])
		for s := last[c] + 1; s < maxSymbols; s++ {
			e.hist[c][0] += e.hist[c][s]
			e.hist[c][s] = 0
		}
	}
	e.escapes = e.escapes[:0]
	for i := range e.coded {
		c := &e.coded[i]
		if int(c.symbol) > last[c.context] {
			c.symbol = 0
		}
		if c.symbol == 0 {
			e.escapes = binary.AppendUvarint(e.escapes, c.residual)
		}
	}
}

// lastSymbol finds the last symbol that is worth its class in the table; the
// values beyond are escapes.
func lastSymbol(hist *[maxSymbols]uint32) int {
	best, bestCost, beyond := 0, math.Inf(1), uint32(0)
	for s := maxSymbols - 1; s >= 0; s-- {
		if cost := float64(beyond*(escapeBits/2)) + float64(float64(s)*symbolBits); cost <= bestCost {
			best, bestCost = s, cost
		}
		beyond += hist[s]
	}
	return best
}

// appendTables writes the tables and fills freq and below.
func (e *forecastWriter) appendTables(dst []byte, h *forecastHead) []byte {
	w := bitWriter{b: dst}
	var classes [maxSymbols]uint8
	for c := range 1 << h.contextBits {
		used := 0
		for s, n := range e.hist[c] {
			if classes[s] = uint8(classOf(n)); n > 0 {
				used = s + 1
			}
		}
		appendClasses(&w, classes[:used])
		freq := frequencies(classes[:used], &e.freq[c])
		for s, f := range freq {
			e.below[c][s+1] = e.below[c][s] + uint32(f)
		}
	}
	return w.close()
}

// appendStates writes the coded values: the states, then the words in the
// order of decoding, which is that of encoding turned round.
func (e *forecastWriter) appendStates(dst []byte, h *forecastHead) []byte {
	var state [lanes]uint64
	for l := range state {
		state[l] = stateLow
	}
	e.words = e.words[:0]
	for i := len(e.coded) - 1; i >= 0; i-- {
		c := &e.coded[i]
		f, x := uint64(e.freq[c.context][c.symbol]), state[c.lane]
		if x >= f<<(2*wordBits-precision) {
			e.words = append(e.words, uint16(x))
			x >>= wordBits
		}
		state[c.lane] = x/f<<precision + x%f + uint64(e.below[c.context][c.symbol])
	}
	count, _ := h.rowsOf(len(e.high))
	for l := range count {
		dst = binary.LittleEndian.AppendUint32(dst, uint32(state[l]))
	}
	for _, w := range slices.Backward(e.words) {
		dst = binary.LittleEndian.AppendUint16(dst, w)
	}
	return dst
}
