package textline

import (
	"bytes"
	"encoding/hex"
	"errors"
)

// Sum is a way to reckon a checksum.
type Sum uint8

// The checksums.
const (
	NoSum Sum = iota
	Sum8      // the sum of all bytes, its lowest eight bits
	XOR8      // all bytes by exclusive or
	CRC16     // CRC-16/MODBUS: polynomial 0x8005 reflected, from 0xFFFF, no final XOR
)

// of returns the sum over b.
func (s Sum) of(b []byte) uint16 {
	var sum8, xor byte
	crc := uint16(0xFFFF)
	for _, v := range b {
		sum8 += v
		xor ^= v
		if s != CRC16 {
			continue
		}
		crc ^= uint16(v)
		for range 8 {
			if crc&1 != 0 {
				crc = crc>>1 ^ 0xA001
			} else {
				crc >>= 1
			}
		}
	}
	switch s {
	case Sum8:
		return uint16(sum8)
	case XOR8:
		return uint16(xor)
	case CRC16:
		return crc
	}
	return 0
}

// Checksum says what is reckoned over which part of a text and how it is
// written. The zero value is none.
type Checksum struct {
	Kind Sum
	// Raw: written as bytes instead of two hexadecimal digits a byte. Digits
	// are sent in capitals and read in either case.
	Raw bool
	// LowFirst: the low byte of a CRC-16 stands first.
	LowFirst bool
	// After and Before narrow what is covered: it begins behind the first
	// After and ends in front of the last Before. Empty: from the text's first
	// byte, up to the checksum.
	After, Before []byte
	// BehindEnd: it stands behind the text's end, which it covers too, instead
	// of in front of it. Has a meaning only where the Format has Ends.
	BehindEnd bool
}

// errNotCovered: the text lacks what marks the covered part.
var errNotCovered = errors.New("the text to send does not hold what the checksum's span begins after or ends before")

// width is how many bytes the written checksum takes.
func (c *Checksum) width() int {
	n := 1
	switch c.Kind {
	case NoSum:
		return 0
	case CRC16:
		n = 2
	}
	if !c.Raw {
		n *= 2
	}
	return n
}

// covered returns the part of b that the checksum is over.
func (c *Checksum) covered(b []byte) ([]byte, bool) {
	if len(c.After) > 0 {
		i := bytes.Index(b, c.After)
		if i < 0 {
			return nil, false
		}
		b = b[i+len(c.After):]
	}
	if len(c.Before) > 0 {
		i := bytes.LastIndex(b, c.Before)
		if i < 0 {
			return nil, false
		}
		b = b[:i]
	}
	return b, true
}

// Append appends the checksum over text, which is what stands in front of it,
// to dst. It fails when text lacks After or Before.
func (c *Checksum) Append(dst, text []byte) ([]byte, error) {
	part, ok := c.covered(text)
	if !ok {
		return dst, errNotCovered
	}
	return append(dst, c.written(part)...), nil
}

// written is the checksum over part as it stands in a text.
func (c *Checksum) written(part []byte) []byte {
	v := c.Kind.of(part)
	var sum []byte
	switch {
	case c.Kind == NoSum:
		return nil
	case c.Kind != CRC16:
		sum = []byte{byte(v)}
	case c.LowFirst:
		sum = []byte{byte(v), byte(v >> 8)}
	default:
		sum = []byte{byte(v >> 8), byte(v)}
	}
	if c.Raw {
		return sum
	}
	return bytes.ToUpper(hex.AppendEncode(nil, sum))
}

// fits reports whether sum is the checksum of text.
func (c *Checksum) fits(text, sum []byte) bool {
	part, ok := c.covered(text)
	if !ok {
		return false
	}
	if c.Raw {
		return bytes.Equal(c.written(part), sum)
	}
	return bytes.Equal(c.written(part), bytes.ToUpper(sum))
}
