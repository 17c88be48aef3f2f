package store

import (
	"fmt"
	"math"
)

// The tables of a forecast column. Symbol 0 is the escape, for residuals
// without a symbol of their own; symbol 1 + z stands for the residual whose
// zig-zag is z.
const (
	maxSymbols     = 254 // residuals −126 to 126
	precision      = 10  // tables have shares of 1<<precision slots
	maxContextBits = 2
	maxTables      = 1 << maxContextBits
	tableSlots     = 1 << precision
	weightClasses  = 64
	classBits      = 6
)

// weightOf is the weight of a class: 0 to 8 as they are, above that four
// classes to the doubling.
func weightOf(class int) uint32 {
	if class < 8 {
		return uint32(class)
	}
	return uint32(4+class&3) << (class>>2 - 1)
}

// classOf is the class whose weight is nearest to a count; one that is not 0
// never gets class 0.
func classOf(count uint32) int {
	class := 0
	for class+1 < weightClasses && weightOf(class+1) <= count {
		class++
	}
	if class+1 < weightClasses && weightOf(class+1)-count < count-weightOf(class) {
		class++
	}
	return class
}

// bitWriter appends bits, low ones first; at most 32 at a time.
type bitWriter struct {
	b    []byte
	bits uint64
	n    uint
}

func (w *bitWriter) put(v uint64, n uint) {
	w.bits |= v << w.n
	for w.n += n; w.n >= 8; w.n -= 8 {
		w.b = append(w.b, byte(w.bits))
		w.bits >>= 8
	}
}

// put64 is put for up to 64 bits.
func (w *bitWriter) put64(v uint64, n uint) {
	if n > 32 {
		w.put(v&math.MaxUint32, 32)
		v, n = v>>32, n-32
	}
	w.put(v, n)
}

func (w *bitWriter) close() []byte {
	if w.n > 0 {
		w.b = append(w.b, byte(w.bits))
		w.bits, w.n = 0, 0
	}
	return w.b
}

// bitReader takes bits off the front of bytes, at most 32 at a time. After the end they are 0 and
// bad is true.
type bitReader struct {
	b    []byte
	bits uint64
	n    uint
	bad  bool
}

func (r *bitReader) take(n uint) uint64 {
	for r.n < n {
		if len(r.b) == 0 {
			r.bad = true
			return 0
		}
		r.bits |= uint64(r.b[0]) << r.n
		r.b = r.b[1:]
		r.n += 8
	}
	v := r.bits & (1<<n - 1)
	r.bits >>= n
	r.n -= n
	return v
}

// take64 is take for up to 64 bits.
func (r *bitReader) take64(n uint) uint64 {
	if n > 32 {
		low := r.take(32)
		return low | r.take(n-32)<<32
	}
	return r.take(n)
}

// appendClasses writes a table: the number of symbols, the first two classes,
// then each class as its difference to the one before in a Rice code.
func appendClasses(w *bitWriter, classes []uint8) {
	w.put(uint64(len(classes)), 8)
	for i, c := range classes {
		if i < 2 {
			w.put(uint64(c), classBits)
			continue
		}
		d := zigzag(int64(c) - int64(classes[i-1]))
		for range d >> 1 {
			w.put(1, 1)
		}
		w.put(d&1<<1, 2)
	}
}

// readClasses reads what appendClasses wrote.
func readClasses(r *bitReader, into *[maxSymbols]uint8) ([]uint8, error) {
	n := int(r.take(8))
	if n > maxSymbols {
		return nil, fmt.Errorf("%w: table of %d symbols", ErrDamaged, n)
	}
	classes := into[:n]
	for i := range classes {
		if i < 2 {
			classes[i] = uint8(r.take(classBits))
			continue
		}
		d := uint64(0)
		for r.take(1) != 0 {
			d += 2
		}
		c := int64(classes[i-1]) + unzigzag(d|r.take(1))
		if r.bad || c < 0 || c >= weightClasses {
			return nil, fmt.Errorf("%w: table class", ErrDamaged)
		}
		classes[i] = uint8(c)
	}
	if r.bad {
		return nil, fmt.Errorf("%w: table", ErrDamaged)
	}
	return classes, nil
}

// frequencies turns weights into shares of a table's slots: each symbol that
// occurs has one and its part, rounded down, of the others; the first of the
// greatest takes the rest.
func frequencies(classes []uint8, into *[maxSymbols]uint16) []uint16 {
	sum, greatest, occur := uint64(0), 0, 0
	for i, c := range classes {
		sum += uint64(weightOf(int(c)))
		if c > 0 {
			occur++
		}
		if c > classes[greatest] {
			greatest = i
		}
	}
	if sum == 0 { // all values are escapes
		into[0] = tableSlots
		return into[:1]
	}
	freq, left := into[:len(classes)], tableSlots
	for i, c := range classes {
		freq[i] = 0
		if c > 0 {
			freq[i] = uint16(1 + uint64(weightOf(int(c)))*uint64(tableSlots-occur)/sum)
		}
		left -= int(freq[i])
	}
	freq[greatest] += uint16(left)
	return freq
}

// A slot says what a state's low bits mean: the residual in the highest 8 bits,
// the symbol's share in 12, whether it is the escape in one, the slot's place
// in the share in the lowest 10.
const (
	slotValue  = 24
	slotShare  = 12
	slotMask   = 1<<(slotValue-slotShare) - 1
	slotEscape = 1 << 11
)

func fillSlots(slots []uint32, freq []uint16) {
	at := 0
	for symbol, f := range freq {
		entry := uint32(f)<<slotShare | slotEscape
		if symbol > 0 {
			entry = uint32(f)<<slotShare | uint32(uint8(unzigzag(uint64(symbol-1))))<<slotValue
		}
		own := slots[at : at+int(f)]
		for i := range own {
			own[i] = entry | uint32(i)
		}
		at += int(f)
	}
}
