package frame

import (
	"encoding/binary"
	"fmt"
)

// Sizes of TCP frames in bytes (Messaging on TCP/IP Implementation Guide
// V1.0b, 3.1).
const (
	MaxTCP    = 260
	TCPHeader = 7 // transaction, protocol 0, length, unit
)

// AppendTCP appends the TCP frame of pdu for unit to dst.
func AppendTCP(dst []byte, transaction uint16, unit byte, pdu []byte) []byte {
	dst = binary.BigEndian.AppendUint16(dst, transaction)
	dst = append(dst, 0, 0)
	dst = binary.BigEndian.AppendUint16(dst, uint16(len(pdu)+1))
	dst = append(dst, unit)
	return append(dst, pdu...)
}

// TCPLength tells from its first bytes how long a TCP frame is. If ok is
// false, n is the number of bytes needed to tell, or 0 where the header cannot
// be one (protocol not zero, length outside 2-254): the stream is out of step
// for good, since nothing in it marks where a frame begins.
func TCPLength(prefix []byte) (n int, ok bool) {
	if len(prefix) < 6 {
		return 6, false
	}
	length := int(binary.BigEndian.Uint16(prefix[4:]))
	if prefix[2] != 0 || prefix[3] != 0 || length < 2 || length > 1+MaxPDU {
		return 0, false
	}
	return 6 + length, true
}

// DecodeTCP returns the parts of exactly one TCP frame; pdu is a part of adu.
// The error wraps ErrShort or ErrFormat.
func DecodeTCP(adu []byte) (transaction uint16, unit byte, pdu []byte, err error) {
	if len(adu) < TCPHeader+1 {
		return 0, 0, nil, fmt.Errorf("%d bytes: %w", len(adu), ErrShort)
	}
	n, ok := TCPLength(adu)
	if !ok || n != len(adu) {
		return 0, 0, nil, fmt.Errorf("header % X with %d bytes: %w", adu[:TCPHeader], len(adu), ErrFormat)
	}
	return binary.BigEndian.Uint16(adu), adu[6], adu[TCPHeader:], nil
}
