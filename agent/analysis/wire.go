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
// It counts its place rather than cutting b: a pointer written that often costs
// more than the reading while the garbage collector runs.
type reader struct {
	b   []byte
	at  int // of the next byte
	err error
}

// rest is what was not read yet.
func (r *reader) rest() []byte { return r.b[r.at:] }

func (r *reader) fail(what string) {
	if r.err == nil {
		r.err = fmt.Errorf("%w: %s", ErrSummary, what)
	}
	r.at = len(r.b)
}

func (r *reader) unsigned() uint64 {
	// one byte is by far the most common, then two
	if b := r.rest(); len(b) > 1 {
		if b[0] < 0x80 {
			r.at++
			return uint64(b[0])
		} else if c := b[1]; c < 0x80 && c != 0 {
			r.at += 2
			return uint64(b[0]&0x7f) | uint64(c)<<7
		}
	}
	v, n := binary.Uvarint(r.rest())
	if n <= 0 || (n > 1 && r.b[r.at+n-1] == 0) {
		r.fail("bad number")
		return 0
	}
	r.at += n
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
	if v > uint64(len(r.rest())/size) {
		r.fail("list longer than its bytes")
		return 0
	}
	return int(v)
}

func (r *reader) byteBelow(limit uint8) uint8 {
	if r.at == len(r.b) || r.b[r.at] >= limit {
		r.fail("bad code")
		return 0
	}
	v := r.b[r.at]
	r.at++
	return v
}

func (r *reader) bool() bool { return r.byteBelow(2) == 1 }

func (r *reader) int128() Int128 {
	var hi, lo uint64
	b := r.rest()
	for i := 0; ; i++ {
		if i >= len(b) || i > 18 {
			r.fail("bad long number")
			return Int128{}
		}
		c := b[i]
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
			r.at += i + 1
			break
		}
	}
	sign := -(lo & 1)
	return Int128{int64(hi>>1 ^ sign), (lo>>1 | hi<<63) ^ sign}
}

// end reports the first error, or that bytes are left over.
func (r *reader) end() error {
	if r.err == nil && r.at < len(r.b) {
		r.fail("bytes left over")
	}
	return r.err
}
