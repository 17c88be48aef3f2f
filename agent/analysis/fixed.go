package analysis

import (
	"math"

	"loadscribe/agent/scan"
)

// Counts inside the fold are int64. Integers stay what they are; floats become
// fixed point, rounded once a scan; decimals are brought to six places. What
// does not fit (NaN, infinities, magnitudes of 2^61 and more) is no value.
const (
	// floatBits is the number of binary places of a float channel: a step of
	// 15 millionths of the map's unit, a range of ±2^45 units. That is 1.5 Pa
	// for a map in bar and 15 Pa for one in MPa.
	floatBits = 16
	// floatCounterBits is the same for float counters, which need range more
	// than places: a step of 0.001 unit, a range of ±2^51 units.
	floatCounterBits = 10
	// decimalPlaces of a text channel's digits are kept.
	decimalPlaces = 6
	maxCounts     = 1 << 61
)

// unitOfCounts is what one fixed-point count is worth before scale and offset.
func unitOfCounts(k scan.Kind, counter bool) float64 {
	switch k {
	case scan.KindFloat32, scan.KindFloat64:
		if counter {
			return 1.0 / (1 << floatCounterBits)
		}
		return 1.0 / (1 << floatBits)
	case scan.KindDecimal:
		return 1e-6
	default:
		return 1
	}
}

// fixedCounts converts a raw value to fixed-point counts.
func fixedCounts(k scan.Kind, counter bool, raw int64) (int64, bool) {
	switch k {
	case scan.KindInt:
		return raw, raw < maxCounts && raw > -maxCounts
	case scan.KindUint:
		return raw, uint64(raw) < maxCounts
	case scan.KindFloat32:
		return fromFloat(float64(math.Float32frombits(uint32(raw))), counter)
	case scan.KindFloat64:
		return fromFloat(math.Float64frombits(uint64(raw)), counter)
	case scan.KindDecimal:
		return fromDecimal(raw>>8, int(raw&0xff))
	}
	return 0, false
}

func fromFloat(v float64, counter bool) (int64, bool) {
	places := floatBits
	if counter {
		places = floatCounterBits
	}
	f := math.RoundToEven(math.Ldexp(v, places))
	if !(math.Abs(f) < maxCounts) { // also catches NaN
		return 0, false
	}
	return int64(f), true
}

func fromDecimal(mantissa int64, places int) (int64, bool) {
	for ; places < decimalPlaces; places++ {
		if mantissa > maxCounts/10 || mantissa < -maxCounts/10 {
			return 0, false
		}
		mantissa *= 10
	}
	if places > decimalPlaces {
		if places > 18 {
			return 0, false
		}
		div := int64(1)
		for ; places > decimalPlaces; places-- {
			div *= 10
		}
		half := div / 2
		if mantissa < 0 {
			half = -half
		}
		mantissa = (mantissa + half) / div
	}
	return mantissa, mantissa < maxCounts && mantissa > -maxCounts
}
