package store

import (
	"encoding/binary"
	"fmt"
	"hash/crc32"
)

var castagnoli = crc32.MakeTable(crc32.Castagnoli) // read only

func zigzag(v int64) uint64   { return uint64(v<<1) ^ uint64(v>>63) }
func unzigzag(u uint64) int64 { return int64(u>>1) ^ -int64(u&1) }

func appendInt(b []byte, v int64) []byte { return binary.AppendUvarint(b, zigzag(v)) }

func appendString(b []byte, s string) []byte {
	b = binary.AppendUvarint(b, uint64(len(s)))
	return append(b, s...)
}

func appendBytes(b, v []byte) []byte {
	b = binary.AppendUvarint(b, uint64(len(v)))
	return append(b, v...)
}

// reader takes fields off a byte slice. After the first field that does not
// fit, bad is true and all further fields are zero.
type reader struct {
	b   []byte
	bad bool
}

func (r *reader) uint() uint64 {
	// one byte is by far the most common
	if len(r.b) > 0 && r.b[0] < 0x80 {
		v := r.b[0]
		r.b = r.b[1:]
		return uint64(v)
	}
	v, n := binary.Uvarint(r.b)
	if n <= 0 {
		r.bad, r.b = true, nil
		return 0
	}
	r.b = r.b[n:]
	return v
}

func (r *reader) int() int64 { return unzigzag(r.uint()) }

func (r *reader) byte() byte {
	if len(r.b) == 0 {
		r.bad = true
		return 0
	}
	v := r.b[0]
	r.b = r.b[1:]
	return v
}

// take returns the next n bytes, which share memory with the input.
func (r *reader) take(n uint64) []byte {
	if n > uint64(len(r.b)) {
		r.bad, r.b = true, nil
		return nil
	}
	v := r.b[:n:n]
	r.b = r.b[n:]
	return v
}

func (r *reader) fixed64() uint64 {
	v := r.take(8)
	if v == nil {
		return 0
	}
	return binary.LittleEndian.Uint64(v)
}

func (r *reader) string() string { return string(r.take(r.uint())) }

// count reads a number of items of at least itemBytes each and refuses one
// that the remaining bytes cannot hold, so that no damaged count allocates.
func (r *reader) count(itemBytes int) int {
	n := r.uint()
	if n > uint64(len(r.b)/itemBytes) {
		r.bad, r.b = true, nil
		return 0
	}
	return int(n)
}

// Every value in the database is wrapped in an envelope, so that it can be
// checked, and found again in a file whose tree is damaged.
const (
	envelopeMagic = "LSv1"
	envelopeSize  = 14 // magic 4, type 1, version 1, length 4, CRC-32C 4

	typeBlock   = 1
	typeGroup   = 2
	typeSegment = 3
	typeEvents  = 4
	typePieces  = 5
	typeCells   = 6
	typeText    = 7
	typeLeaves  = 8
	typeUntold  = 9
	typeCopy    = 10
	typeSums    = 11
	typeLog     = 12
	typeLogHead = 13
	typeLogOld  = 14
	maxEnvelope = 1 << 26
)

// valueVersion is the version of a type's values that is written, the highest
// that is read.
func valueVersion(typ byte) byte {
	if typ == typeBlock || typ == typeCells {
		return 2
	}
	return 1
}

func wrap(dst []byte, typ byte, body []byte) []byte {
	start := len(dst)
	dst = append(dst, envelopeMagic...)
	dst = append(dst, typ, valueVersion(typ))
	dst = binary.LittleEndian.AppendUint32(dst, uint32(len(body)))
	crc := crc32.Update(crc32.Checksum(dst[start+4:start+10], castagnoli), castagnoli, body)
	dst = binary.LittleEndian.AppendUint32(dst, crc)
	return append(dst, body...)
}

// unwrap checks an envelope and returns its body, which shares memory with b.
func unwrap(b []byte, typ byte) ([]byte, error) {
	_, body, err := unwrapVersion(b, typ)
	return body, err
}

// unwrapVersion is unwrap where the version of the value is wanted too.
func unwrapVersion(b []byte, typ byte) (version byte, body []byte, err error) {
	t, version, body, err := open(b)
	if err != nil {
		return 0, nil, err
	}
	if t != typ {
		return 0, nil, fmt.Errorf("%w: value of type %d where %d belongs", ErrDamaged, t, typ)
	}
	return version, body, nil
}

// open checks the envelope at the start of b; what follows it is left alone.
func open(b []byte) (typ, version byte, body []byte, err error) {
	if len(b) < envelopeSize || string(b[:4]) != envelopeMagic {
		return 0, 0, nil, fmt.Errorf("%w: no envelope", ErrDamaged)
	}
	n := binary.LittleEndian.Uint32(b[6:])
	if n > maxEnvelope || uint64(n) > uint64(len(b)-envelopeSize) {
		return 0, 0, nil, fmt.Errorf("%w: %d bytes announced, %d there", ErrDamaged, n, len(b)-envelopeSize)
	}
	body = b[envelopeSize : envelopeSize+int(n)]
	crc := crc32.Update(crc32.Checksum(b[4:10], castagnoli), castagnoli, body)
	if crc != binary.LittleEndian.Uint32(b[10:]) {
		return 0, 0, nil, fmt.Errorf("%w: checksum does not match", ErrDamaged)
	}
	if b[5] > valueVersion(b[4]) {
		return 0, 0, nil, fmt.Errorf("%w: value version %d", ErrNewer, b[5])
	}
	return b[4], b[5], body, nil
}
