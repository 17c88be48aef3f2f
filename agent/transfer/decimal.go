package transfer

import (
	"math"
	"math/big"
	"math/bits"
	"strconv"
	"strings"

	"loadscribe/agent/scan"
)

// decimal is mantissa·10^-places, exactly.
type decimal struct {
	mantissa *big.Int
	places   int // digits after the point, never negative
}

// maxPlaces bounds the digits of an exact value. A scale or a reading beyond it
// (1e-40, say) is not a quantity of this trade; it is printed as the nearest
// float64 instead.
const maxPlaces = 30

// decimalOf returns the decimal that prints f most shortly, which is what a
// person wrote into the map: 0.1 for the float64 next to 0.1. ok is false for
// what has no such decimal within maxPlaces.
func decimalOf(f float64, bitSize int) (d decimal, ok bool) {
	if math.IsNaN(f) || math.IsInf(f, 0) || math.Abs(f) >= 1e30 {
		return decimal{}, false
	}
	text := strconv.FormatFloat(f, 'f', -1, bitSize)
	whole, frac, _ := strings.Cut(text, ".")
	if len(frac) > maxPlaces {
		return decimal{}, false
	}
	m, ok := new(big.Int).SetString(whole+frac, 10)
	return decimal{m, len(frac)}, ok
}

// countsOf returns a raw value before scale and offset.
func countsOf(k scan.Kind, raw int64) (decimal, bool) {
	switch k {
	case scan.KindUint:
		return decimal{new(big.Int).SetUint64(uint64(raw)), 0}, true
	case scan.KindFloat32:
		return decimalOf(k.Counts(raw), 32)
	case scan.KindFloat64:
		return decimalOf(k.Counts(raw), 64)
	case scan.KindDecimal:
		places := int(raw & 0xff)
		return decimal{big.NewInt(raw >> 8), places}, places <= maxPlaces
	}
	return decimal{big.NewInt(raw), 0}, true
}

func (d decimal) mul(e decimal) decimal {
	return decimal{new(big.Int).Mul(d.mantissa, e.mantissa), d.places + e.places}
}

func (d decimal) add(e decimal) decimal {
	if d.places < e.places {
		d, e = e, d
	}
	shift := new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(d.places-e.places)), nil)
	return decimal{shift.Mul(shift, e.mantissa).Add(shift, d.mantissa), d.places}
}

// appendText appends d as digits with all its places.
func (d decimal) appendText(dst []byte) []byte {
	digits := d.mantissa.String()
	if d.mantissa.Sign() < 0 {
		dst, digits = append(dst, '-'), digits[1:]
	}
	return appendPoint(dst, digits, d.places)
}

// appendPoint sets the point into unsigned digits.
func appendPoint(dst []byte, digits string, places int) []byte {
	if places == 0 {
		return append(dst, digits...)
	}
	for len(digits) <= places {
		digits = "0" + digits
	}
	dst = append(dst, digits[:len(digits)-places]...)
	dst = append(dst, '.')
	return append(dst, digits[len(digits)-places:]...)
}

// AppendValue appends raw in the channel's unit as exact decimal digits, with
// as many places as counts, scale and offset have together: 1030 counts at 0.1
// are 103.0, which shows the resolution. A value that is not a finite number
// appends nothing.
func AppendValue(dst []byte, c *scan.Channel, raw int64) []byte {
	p := printerOf(c)
	return p.append(dst, raw)
}

// printer is AppendValue for one channel, with what does not change from value
// to value made once.
type printer struct {
	channel *scan.Channel
	// quick: no offset, and a positive scale of mantissa·10^-places
	quick    bool
	mantissa uint64
	places   int
}

func printerOf(c *scan.Channel) printer {
	p := printer{channel: c}
	if c.Offset == 0 {
		p.mantissa, p.places, p.quick = smallDecimal(c.Scale, 64)
	}
	return p
}

func (p *printer) append(dst []byte, raw int64) []byte {
	if p.quick {
		if out, ok := p.appendSmall(dst, raw); ok {
			return out
		}
	}
	c := p.channel
	counts, ok := countsOf(c.Kind, raw)
	scale, ok2 := decimalOf(c.Scale, 64)
	offset, ok3 := decimalOf(c.Offset, 64)
	if ok && ok2 && ok3 {
		return counts.mul(scale).add(offset).appendText(dst)
	}
	// rounded twice, and not fused on some machines: the text is the same on all
	v := float64(c.Kind.Counts(raw)*c.Scale) + c.Offset
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return dst
	}
	return strconv.AppendFloat(dst, v, 'g', -1, 64)
}

// Value returns raw in the channel's unit, rounded once: the float64 nearest to
// the exact decimal, so that it prints as few digits as the wire's resolution
// has. NaN and infinities are returned as they are.
func Value(c *scan.Channel, raw int64) float64 {
	var buf [64]byte
	text := AppendValue(buf[:0], c, raw)
	if v, err := strconv.ParseFloat(string(text), 64); err == nil {
		return v
	}
	return c.Value(raw)
}

// appendSmall is append where no number goes beyond 64 bits: nearly every
// value, without a big number.
func (p *printer) appendSmall(dst []byte, raw int64) ([]byte, bool) {
	size, places, negative := uint64(raw), 0, raw < 0
	switch p.channel.Kind {
	case scan.KindInt:
		if negative {
			size = -size
		}
	case scan.KindDecimal:
		places = int(raw & 0xff)
		if size = uint64(raw >> 8); negative {
			size = -size
		}
	case scan.KindFloat32, scan.KindFloat64:
		v, bitSize := p.channel.Kind.Counts(raw), 64
		if p.channel.Kind == scan.KindFloat32 {
			bitSize = 32
		}
		var ok bool
		if size, places, ok = smallDecimal(math.Abs(v), bitSize); !ok {
			return dst, false
		}
		negative = v < 0
	default:
		return dst, false
	}
	if places > maxPlaces {
		return dst, false
	}
	hi, product := bits.Mul64(size, p.mantissa)
	if hi != 0 {
		return dst, false
	}
	if negative && product != 0 {
		dst = append(dst, '-')
	}
	return appendPlaces(dst, product, places+p.places), true
}

// appendPlaces appends n with the point before its last places digits.
func appendPlaces(dst []byte, n uint64, places int) []byte {
	if places == 0 {
		return strconv.AppendUint(dst, n, 10)
	}
	var buf [20]byte
	digits := strconv.AppendUint(buf[:0], n, 10)
	whole := len(digits) - places
	if whole > 0 {
		dst = append(append(dst, digits[:whole]...), '.')
		return append(dst, digits[whole:]...)
	}
	dst = append(dst, '0', '.')
	for ; whole < 0; whole++ {
		dst = append(dst, '0')
	}
	return append(dst, digits...)
}

// smallDecimal returns f, which is not negative, as mantissa·10^-places, if it is
// of a size that quantities have.
func smallDecimal(f float64, bitSize int) (mantissa uint64, places int, ok bool) {
	if f == 1 {
		return 1, 0, true
	}
	if !(f >= 0 && f < 1e15) {
		return 0, 0, false
	}
	var buf [64]byte
	text := strconv.AppendFloat(buf[:0], f, 'f', -1, bitSize)
	seen := false
	for _, ch := range text {
		if ch == '.' {
			seen = true
			continue
		}
		if mantissa > (math.MaxUint64-9)/10 {
			return 0, 0, false
		}
		mantissa = mantissa*10 + uint64(ch-'0')
		if seen {
			places++
		}
	}
	return mantissa, places, places <= maxPlaces
}
