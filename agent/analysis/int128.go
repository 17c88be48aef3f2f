package analysis

import (
	"math"
	"math/bits"
)

// Int128 is a signed 128-bit integer in two's complement. Sums of products of
// counts and milliseconds are kept in it, so that merging is exact in any
// order. Its zero value is 0.
type Int128 struct {
	Hi int64
	Lo uint64
}

// Add returns a + b, modulo 2^128.
func (a Int128) Add(b Int128) Int128 {
	lo, carry := bits.Add64(a.Lo, b.Lo, 0)
	hi, _ := bits.Add64(uint64(a.Hi), uint64(b.Hi), carry)
	return Int128{int64(hi), lo}
}

// Neg returns -a.
func (a Int128) Neg() Int128 {
	lo, borrow := bits.Sub64(0, a.Lo, 0)
	hi, _ := bits.Sub64(0, uint64(a.Hi), borrow)
	return Int128{int64(hi), lo}
}

// MulInt64 returns the exact product x·y.
func MulInt64(x, y int64) Int128 {
	hi, lo := bits.Mul64(uint64(x), uint64(y))
	// The unsigned product counts a negative factor as 2^64 too much.
	if x < 0 {
		hi -= uint64(y)
	}
	if y < 0 {
		hi -= uint64(x)
	}
	return Int128{int64(hi), lo}
}

// Float64 returns a rounded to binary64, the same on every processor.
func (a Int128) Float64() float64 {
	if a.Hi < 0 {
		n := a.Neg()
		// The most negative value is its own negation; as unsigned it is right.
		return -unsignedFloat(uint64(n.Hi), n.Lo)
	}
	return unsignedFloat(uint64(a.Hi), a.Lo)
}

func unsignedFloat(hi, lo uint64) float64 {
	// Scaling by a power of two is exact, so a fused add changes nothing.
	return math.Ldexp(float64(hi), 64) + float64(lo)
}

// divInt64 returns a/d cut towards zero, clamped to int64; d must be above 0.
func (a Int128) divInt64(d int64) int64 {
	neg := a.Hi < 0
	if neg {
		a = a.Neg()
	}
	if uint64(a.Hi) >= uint64(d) {
		if neg {
			return math.MinInt64
		}
		return math.MaxInt64
	}
	q, _ := bits.Div64(uint64(a.Hi), a.Lo, uint64(d))
	switch {
	case neg && q > math.MaxInt64: // one more than the greatest is its own negation
		return math.MinInt64
	case neg:
		return -int64(q)
	}
	return int64(min(q, math.MaxInt64))
}
