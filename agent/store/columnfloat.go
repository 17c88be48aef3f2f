package store

import (
	"math"

	"loadscribe/agent/scan"
)

// mapping is how a column's numbers were made into others that are coded with
// fewer bits: the high four bits of a column's encoding.
type mapping byte

const (
	mapNone      mapping = 0
	mapOrder32   mapping = 1 // binary32 bits so that number order is value order
	mapOrder64   mapping = 2 // binary64 bits likewise
	mapDecimal32 mapping = 3 // binary32 values times a power of ten
	mapDecimal64 mapping = 4 // binary64 values times a power of ten

	// maxDecimals: powers of ten up to 10^22 are exact in binary64; no sensor
	// tells more than nine decimals.
	maxDecimals = 9
	// wholeLimit: integers below it are exact in binary64. Decimal mappings use
	// the numbers from it on for values that are no such decimals.
	wholeLimit = 1 << 53
)

func (m mapping) decimal() bool { return m == mapDecimal32 || m == mapDecimal64 }

func (m mapping) known(decimals byte) bool { return m <= mapDecimal64 && decimals <= maxDecimals }

// undo turns mapped numbers back.
func (m mapping) undo(v []int64, decimals byte) {
	power := math.Pow10(int(decimals))
	switch m {
	case mapOrder32:
		for i := range v {
			v[i] = unorderFloat32(v[i])
		}
	case mapOrder64:
		for i := range v {
			v[i] = unorderFloat64(v[i])
		}
	case mapDecimal32:
		for i, x := range v {
			if magnitude(x) < wholeLimit {
				v[i] = int64(math.Float32bits(float32(float64(x) / power)))
			} else {
				v[i] = x - wholeLimit
			}
		}
	case mapDecimal64:
		for i, x := range v {
			if magnitude(x) < wholeLimit {
				v[i] = int64(math.Float64bits(float64(x) / power))
			}
		}
	}
}

// mapFloats fills e.ints: with decimals where nearly all values are such, else
// with ordered bits.
func (e *columnEncoder) mapFloats(v []int64, k scan.Kind) (mapping, byte) {
	m, order := mapDecimal64, orderFloat64
	if k == scan.KindFloat32 {
		m, order = mapDecimal32, orderFloat32
	}
	for decimals := range byte(maxDecimals + 1) {
		if e.mapDecimals(v, m, decimals) {
			return m, decimals
		}
	}
	e.ints = e.ints[:0]
	for _, x := range v {
		e.ints = append(e.ints, order(x))
	}
	if k == scan.KindFloat32 {
		return mapOrder32, 0
	}
	return mapOrder64, 0
}

// mapDecimals fills e.ints; it gives up where more than an eighth of the values
// are not decimals of this many places.
func (e *columnEncoder) mapDecimals(v []int64, m mapping, decimals byte) bool {
	power := math.Pow10(int(decimals))
	e.ints = e.ints[:0]
	odd := 0
	for _, x := range v {
		i, ok := toDecimal(x, m, power)
		if !ok {
			if odd++; odd > len(v)/8 {
				return false
			}
			if i, ok = besideDecimals(x, m); !ok {
				return false
			}
		}
		e.ints = append(e.ints, i)
	}
	return true
}

// toDecimal returns the integer that undo turns into exactly x.
func toDecimal(x int64, m mapping, power float64) (int64, bool) {
	f := math.Float64frombits(uint64(x))
	if m == mapDecimal32 {
		f = float64(math.Float32frombits(uint32(x)))
	}
	scaled := math.RoundToEven(f * power)
	if !(math.Abs(scaled) < wholeLimit) { // a NaN too
		return 0, false
	}
	i := int64(scaled)
	if m == mapDecimal32 {
		return i, int64(math.Float32bits(float32(float64(i)/power))) == x
	}
	return i, int64(math.Float64bits(float64(i)/power)) == x
}

// besideDecimals returns the number that stands for x itself.
func besideDecimals(x int64, m mapping) (int64, bool) {
	if m == mapDecimal32 {
		return x + wholeLimit, x >= 0 && x < math.MaxInt64-wholeLimit
	}
	return x, magnitude(x) >= wholeLimit
}

// orderFloat32 maps binary32 bits in the low half of v to integers that sort
// as the floats do, so that near values have near numbers. The high half, which
// a binary32 does not have, is kept as it is.
func orderFloat32(v int64) int64 {
	lo := uint32(v)
	lo ^= uint32(int32(lo)>>31) & 0x7fffffff
	return v&^math.MaxUint32 | int64(lo^0x80000000)
}

func unorderFloat32(o int64) int64 {
	lo := uint32(o) ^ 0x80000000
	lo ^= uint32(int32(lo)>>31) & 0x7fffffff
	return o&^math.MaxUint32 | int64(lo)
}

func orderFloat64(v int64) int64   { return v ^ int64(uint64(v>>63)>>1) }
func unorderFloat64(o int64) int64 { return o ^ int64(uint64(o>>63)>>1) }
