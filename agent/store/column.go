package store

import (
	"encoding/binary"
	"fmt"
	"math"

	"loadscribe/agent/scan"
)

// The encodings of a column of n 64-bit numbers. All arithmetic wraps, so that
// every column comes back to the last bit.
const (
	encConstant = 0 // zig-zag varint: the one value; nothing if n is 0
	encRuns     = 1 // pairs: zig-zag varint difference to the last value, varint length
	encDelta    = 2 // zig-zag varint differences, the first to 0
	encDelta2   = 3 // zig-zag varint differences of differences
	encFloat32  = 4 // encDelta of binary32 bits mapped so that order is kept
	encFloat64  = 5 // encDelta of binary64 bits mapped so that order is kept
)

// The compressions of an encoded column.
const (
	packNone = 0
	packZstd = 1
)

// countRuns returns the number of runs of equal values, stopping at limit.
func countRuns(v []int64, limit int) int {
	if len(v) == 0 {
		return 0
	}
	runs := 1
	for i := 1; i < len(v) && runs < limit; i++ {
		if v[i] != v[i-1] {
			runs++
		}
	}
	return runs
}

// chooseEncoding picks an encoding for a column whose plain encoding would be
// plain. Runs win where a value stands for eight scans or more on average: one
// pair then costs less than eight zero bytes do after compression.
func chooseEncoding(v []int64, plain byte) byte {
	limit := max(2, len(v)/8)
	runs := countRuns(v, limit)
	switch {
	case runs <= 1:
		return encConstant
	case runs < limit:
		return encRuns
	default:
		return plain
	}
}

func plainEncoding(k scan.Kind) byte {
	switch k {
	case scan.KindFloat32:
		return encFloat32
	case scan.KindFloat64:
		return encFloat64
	default:
		return encDelta
	}
}

func appendColumn(dst []byte, v []int64, enc byte) []byte {
	switch enc {
	case encConstant:
		if len(v) > 0 {
			dst = appendInt(dst, v[0])
		}
	case encRuns:
		last := int64(0)
		for i := 0; i < len(v); {
			j := i + 1
			for j < len(v) && v[j] == v[i] {
				j++
			}
			dst = appendInt(dst, v[i]-last)
			dst = binary.AppendUvarint(dst, uint64(j-i))
			last, i = v[i], j
		}
	case encDelta:
		last := int64(0)
		for _, x := range v {
			dst = appendInt(dst, x-last)
			last = x
		}
	case encDelta2:
		last, step := int64(0), int64(0)
		for _, x := range v {
			d := x - last
			dst = appendInt(dst, d-step)
			last, step = x, d
		}
	case encFloat32:
		last := int64(0)
		for _, x := range v {
			o := orderFloat32(x)
			dst = appendInt(dst, o-last)
			last = o
		}
	case encFloat64:
		last := int64(0)
		for _, x := range v {
			o := orderFloat64(x)
			dst = appendInt(dst, o-last)
			last = o
		}
	}
	return dst
}

// decodeColumn fills out from an encoded column.
func decodeColumn(b []byte, enc byte, out []int64) error {
	r := reader{b: b}
	last := int64(0)
	switch enc {
	case encConstant:
		if len(out) > 0 {
			last = r.int()
		}
		for i := range out {
			out[i] = last
		}
	case encRuns:
		for i := 0; i < len(out); {
			last += r.int()
			n := r.uint()
			if r.bad || n == 0 || n > uint64(len(out)-i) {
				return fmt.Errorf("%w: column of runs", ErrDamaged)
			}
			for end := i + int(n); i < end; i++ {
				out[i] = last
			}
		}
	case encDelta:
		for i := range out {
			last += r.int()
			out[i] = last
		}
	case encDelta2:
		step := int64(0)
		for i := range out {
			step += r.int()
			last += step
			out[i] = last
		}
	case encFloat32:
		for i := range out {
			last += r.int()
			out[i] = unorderFloat32(last)
		}
	case encFloat64:
		for i := range out {
			last += r.int()
			out[i] = unorderFloat64(last)
		}
	default:
		return fmt.Errorf("%w: column encoding %d", ErrDamaged, enc)
	}
	if r.bad || len(r.b) != 0 {
		return fmt.Errorf("%w: column does not have %d values", ErrDamaged, len(out))
	}
	return nil
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
