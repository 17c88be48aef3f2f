package analysis

import (
	"encoding/binary"
	"errors"
	"fmt"
)

// ErrSummary is returned when the bytes of a summary or of a saved state are
// not what this version writes. The store then folds from raw again.
var ErrSummary = errors.New("summary cannot be read by this version: fold again from raw")

// appendSigned appends v zigzag-coded.
func appendSigned(b []byte, v int64) []byte { return binary.AppendVarint(b, v) }

func appendCount(b []byte, v int) []byte { return binary.AppendUvarint(b, uint64(v)) }

func appendBool(b []byte, v bool) []byte {
	if v {
		return append(b, 1)
	}
	return append(b, 0)
}

// appendInt128 appends v zigzag-coded in groups of seven bits, least first.
func appendInt128(b []byte, v Int128) []byte {
	sign := uint64(v.Hi >> 63)
	hi, lo := (uint64(v.Hi)<<1|v.Lo>>63)^sign, (v.Lo<<1)^sign
	for hi != 0 || lo >= 0x80 {
		b = append(b, byte(lo)|0x80)
		lo = lo>>7 | hi<<57
		hi >>= 7
	}
	return append(b, byte(lo))
}

// reader takes apart what the append functions wrote. It accepts canonical
// bytes only: one value has one spelling. After an error all reads give zero.
type reader struct {
	b   []byte
	err error
}

func (r *reader) fail(what string) {
	if r.err == nil {
		r.err = fmt.Errorf("%w: %s", ErrSummary, what)
	}
	r.b = nil
}

func (r *reader) unsigned() uint64 {
	v, n := binary.Uvarint(r.b)
	if n <= 0 || (n > 1 && r.b[n-1] == 0) {
		r.fail("bad number")
		return 0
	}
	r.b = r.b[n:]
	return v
}

func (r *reader) signed() int64 {
	u := r.unsigned()
	return int64(u>>1) ^ -int64(u&1)
}

// atLeastZero reads a signed number that must not be negative.
func (r *reader) atLeastZero() int64 {
	v := r.unsigned()
	if v > 1<<62 {
		r.fail("number too large")
		return 0
	}
	return int64(v)
}

// count reads the length of a list whose elements take at least size bytes, so
// that damaged bytes cannot ask for more memory than they could fill.
func (r *reader) count(size int) int {
	v := r.unsigned()
	if v > uint64(len(r.b)/size) {
		r.fail("list longer than its bytes")
		return 0
	}
	return int(v)
}

func (r *reader) byteBelow(limit uint8) uint8 {
	if len(r.b) == 0 || r.b[0] >= limit {
		r.fail("bad code")
		return 0
	}
	v := r.b[0]
	r.b = r.b[1:]
	return v
}

func (r *reader) bool() bool { return r.byteBelow(2) == 1 }

func (r *reader) int128() Int128 {
	var hi, lo uint64
	for i := 0; ; i++ {
		if i >= len(r.b) || i > 18 {
			r.fail("bad long number")
			return Int128{}
		}
		c := r.b[i]
		v, shift := uint64(c&0x7f), uint(7*i)
		switch {
		case shift < 64:
			lo |= v << shift
			if shift > 57 {
				hi |= v >> (64 - shift)
			}
		default:
			if shift == 126 && v > 3 {
				r.fail("bad long number")
				return Int128{}
			}
			hi |= v << (shift - 64)
		}
		if c < 0x80 {
			if i > 0 && c == 0 {
				r.fail("bad long number")
				return Int128{}
			}
			r.b = r.b[i+1:]
			break
		}
	}
	sign := -(lo & 1)
	return Int128{int64(hi>>1 ^ sign), (lo>>1 | hi<<63) ^ sign}
}

// end reports the first error, or that bytes are left over.
func (r *reader) end() error {
	if r.err == nil && len(r.b) > 0 {
		r.fail("bytes left over")
	}
	return r.err
}
