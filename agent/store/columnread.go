package store

import (
	"encoding/binary"
	"fmt"
)

// forecastReader decodes forecast columns. Its memory is reused.
type forecastReader struct {
	head    forecastHead
	slots   [maxTables * tableSlots]uint32
	words   []uint16 // with room behind, so that reading one is never beyond
	lane    [lanes]laneReader
	escapes reader
}

type laneReader struct {
	forecast
	state uint64
}

// wordRoom is how many words a row can take.
const wordRoom = lanes

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
	d.escapes = reader{b: r.take(r.uint())}
	count, rows := h.rowsOf(len(out))
	for l := range d.lane[:count] {
		state := r.take(4)
		if r.bad {
			return fmt.Errorf("%w: forecast column", ErrDamaged)
		}
		d.lane[l] = laneReader{begin(h.starts[l]), uint64(binary.LittleEndian.Uint32(state))}
		out[l*rows] = h.starts[l]
	}
	if len(r.b)%2 != 0 {
		return fmt.Errorf("%w: half a word", ErrDamaged)
	}
	d.words = d.words[:0]
	for b := r.b; len(b) > 0; b = b[2:] {
		d.words = append(d.words, binary.LittleEndian.Uint16(b))
	}
	d.words = append(d.words, make([]uint16, wordRoom)...)
	at, err := d.values(out, count, rows)
	if err != nil {
		return err
	}
	for l := range d.lane[:count] {
		if d.lane[l].state != stateLow {
			return fmt.Errorf("%w: forecast column does not end where it began", ErrDamaged)
		}
	}
	if at != len(d.words)-wordRoom || d.escapes.bad || len(d.escapes.b) != 0 {
		return fmt.Errorf("%w: forecast column does not have %d values", ErrDamaged, len(out))
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
		fillSlots(d.slots[i*tableSlots:][:tableSlots], frequencies(read, &freq))
	}
	r.b = bits.b
	return nil
}

// values decodes the high parts and returns how many words that took. Where the
// lanes run side by side and nothing begins anew, fast loops do it; the slow
// one does everything.
func (d *forecastReader) values(out []int64, count, rows int) (at int, err error) {
	h := &d.head
	g := h.gains()
	plain := h.contextBits == 0 && !h.line
	abreast := min(rows, len(out)-(count-1)*rows) // rows that all lanes have
	for i := 1; i < rows; i++ {
		if count == lanes && i < abreast {
			run, to, steady := [lanes][]int64{}, abreast, plain && d.steady()
			if plain && !steady {
				to = min(to, i+1<<h.window)
			}
			for l := range run {
				run[l] = out[l*rows+i : l*rows+to]
			}
			done := 0
			if steady {
				done, at = d.steadyLevels(&run, at)
			} else {
				done, at = d.abreast(&run, at)
			}
			if i += done; i == rows {
				break
			}
		}
		if at > len(d.words)-wordRoom {
			return 0, fmt.Errorf("%w: forecast column ends early", ErrDamaged)
		}
		for l := range d.lane[:count] {
			if row := l*rows + i; row < len(out) {
				out[row], at = d.one(&d.lane[l], g, at)
			}
		}
	}
	return at, nil
}

// one decodes the next high part of a lane.
func (d *forecastReader) one(l *laneReader, g *gains, at int) (int64, int) {
	h := &d.head
	base, mirror, context := place(l.at, h.contextBits)
	slot := d.slots[context*tableSlots|uint32(l.state)&(tableSlots-1)]
	l.state, at = refill(advance(l.state, slot), d.words[at], at)
	off := slotResidual(slot)
	if slot&slotEscape != 0 {
		off = d.escapes.int()
	}
	value := unresidual(base, mirror, off)
	l.next(&h.forecaster, g, value)
	return value, at
}

// steady reports whether every lane has seen a whole window.
func (d *forecastReader) steady() bool {
	for l := range d.lane {
		if d.lane[l].n != 1<<d.head.window {
			return false
		}
	}
	return true
}

// advance takes a state past a symbol; a state below stateLow then wants a word.
func advance(state uint64, slot uint32) uint64 {
	return uint64(slot>>slotShare&slotMask)*(state>>precision) + uint64(slot&(tableSlots-1))
}

func slotResidual(slot uint32) int64 { return int64(int32(slot) >> slotValue) }

// refill gives a state the next word if it wants one. Written so that the
// compiler makes it without a branch, which could not be foretold.
func refill(x uint64, word uint16, at int) (uint64, int) {
	y, next := x<<wordBits|uint64(word), at+1
	if x < stateLow {
		x, at = y, next
	}
	return x, at
}

// steadyLevels decodes rows of four lanes with level forecasters that have seen
// a window each and one table, up to a row with an escape or one that begins
// anew. It returns the number of rows done and how many words are used up.
func (d *forecastReader) steadyLevels(out *[lanes][]int64, at int) (int, int) {
	l0, l1, l2, l3 := &d.lane[0], &d.lane[1], &d.lane[2], &d.lane[3]
	a0, a1, a2, a3 := l0.at, l1.at, l2.at, l3.at
	x0, x1, x2, x3 := l0.state, l1.state, l2.state, l3.state
	gain, limit := d.head.gains().level[1<<d.head.window], uint64(d.head.limit())
	o0 := out[0]
	o1, o2, o3 := out[1][:len(o0)], out[2][:len(o0)], out[3][:len(o0)]
	words := d.words
	i := 0
	for ; i < len(o0) && at <= len(words)-wordRoom; i++ {
		s0, s1 := d.slots[x0&(tableSlots-1)], d.slots[x1&(tableSlots-1)]
		s2, s3 := d.slots[x2&(tableSlots-1)], d.slots[x3&(tableSlots-1)]
		v0, v1 := (a0+half)>>fractionBits+slotResidual(s0), (a1+half)>>fractionBits+slotResidual(s1)
		v2, v3 := (a2+half)>>fractionBits+slotResidual(s2), (a3+half)>>fractionBits+slotResidual(s3)
		e0, e1, e2, e3 := v0<<fractionBits-a0, v1<<fractionBits-a1, v2<<fractionBits-a2, v3<<fractionBits-a3
		if (s0|s1|s2|s3)&slotEscape != 0 || uint64(e0)+limit > 2*limit || uint64(e1)+limit > 2*limit ||
			uint64(e2)+limit > 2*limit || uint64(e3)+limit > 2*limit {
			break
		}
		o0[i], o1[i], o2[i], o3[i] = v0, v1, v2, v3
		a0, a1 = a0+e0*gain>>gainBits, a1+e1*gain>>gainBits
		a2, a3 = a2+e2*gain>>gainBits, a3+e3*gain>>gainBits
		x0, at = refill(advance(x0, s0), words[at], at)
		x1, at = refill(advance(x1, s1), words[at], at)
		x2, at = refill(advance(x2, s2), words[at], at)
		x3, at = refill(advance(x3, s3), words[at], at)
	}
	l0.at, l1.at, l2.at, l3.at = a0, a1, a2, a3
	l0.state, l1.state, l2.state, l3.state = x0, x1, x2, x3
	return i, at
}

// abreast is steadyLevels for any forecaster, however long it has seen, and any
// number of tables.
func (d *forecastReader) abreast(out *[lanes][]int64, at int) (int, int) {
	h := &d.head
	l0, l1, l2, l3 := &d.lane[0], &d.lane[1], &d.lane[2], &d.lane[3]
	a0, a1, a2, a3 := l0.at, l1.at, l2.at, l3.at
	x0, x1, x2, x3 := l0.state, l1.state, l2.state, l3.state
	t0, t1, t2, t3 := l0.slope, l1.slope, l2.slope, l3.slope
	n0, n1, n2, n3 := l0.n, l1.n, l2.n, l3.n
	g, window, limit, see := h.gains(), 1<<h.window, uint64(h.limit()), h.look()
	o0 := out[0]
	o1, o2, o3 := out[1][:len(o0)], out[2][:len(o0)], out[3][:len(o0)]
	words := d.words
	i := 0
	for ; i < len(o0) && at <= len(words)-wordRoom; i++ {
		b0, m0, c0 := see.place(a0)
		b1, m1, c1 := see.place(a1)
		b2, m2, c2 := see.place(a2)
		b3, m3, c3 := see.place(a3)
		s0, s1 := d.slots[c0|x0&(tableSlots-1)], d.slots[c1|x1&(tableSlots-1)]
		s2, s3 := d.slots[c2|x2&(tableSlots-1)], d.slots[c3|x3&(tableSlots-1)]
		v0, v1 := b0+(slotResidual(s0)^m0), b1+(slotResidual(s1)^m1)
		v2, v3 := b2+(slotResidual(s2)^m2), b3+(slotResidual(s3)^m3)
		e0, e1, e2, e3 := v0<<fractionBits-a0, v1<<fractionBits-a1, v2<<fractionBits-a2, v3<<fractionBits-a3
		if (s0|s1|s2|s3)&slotEscape != 0 || uint64(e0)+limit > 2*limit || uint64(e1)+limit > 2*limit ||
			uint64(e2)+limit > 2*limit || uint64(e3)+limit > 2*limit {
			break
		}
		o0[i], o1[i], o2[i], o3[i] = v0, v1, v2, v3
		n0, n1, n2, n3 = min(n0+1, window), min(n1+1, window), min(n2+1, window), min(n3+1, window)
		a0, t0 = g.follow(a0, t0, e0, n0)
		a1, t1 = g.follow(a1, t1, e1, n1)
		a2, t2 = g.follow(a2, t2, e2, n2)
		a3, t3 = g.follow(a3, t3, e3, n3)
		x0, at = refill(advance(x0, s0), words[at], at)
		x1, at = refill(advance(x1, s1), words[at], at)
		x2, at = refill(advance(x2, s2), words[at], at)
		x3, at = refill(advance(x3, s3), words[at], at)
	}
	*l0, *l1 = laneReader{forecast{a0, t0, n0}, x0}, laneReader{forecast{a1, t1, n1}, x1}
	*l2, *l3 = laneReader{forecast{a2, t2, n2}, x2}, laneReader{forecast{a3, t3, n3}, x3}
	return i, at
}

// look is place without branches.
type look struct {
	half  int64 // half a count where there is one table
	fold  int64 // all ones where there are more
	shift uint8
}

func (h *forecastHead) look() look {
	if h.contextBits == 0 {
		return look{half: half, shift: fractionBits}
	}
	return look{fold: -1, shift: fractionBits - 1 - h.contextBits}
}

// place returns what is added to a residual, or to its complement where mirror
// is all ones, and where the table begins.
func (s look) place(at int64) (base, mirror int64, table uint64) {
	mirror = -(at >> (fractionBits - 1) & 1) & s.fold
	fraction := uint64(at^mirror) & (1<<fractionBits - 1)
	return (at+s.half)>>fractionBits - 2*mirror, mirror, fraction >> (s.shift & 15) << precision
}
