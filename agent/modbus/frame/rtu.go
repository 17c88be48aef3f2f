package frame

import (
	"encoding/binary"
	"errors"
	"fmt"
)

// MaxRTU is the longest RTU frame in bytes (Modbus Application Protocol
// V1.1b3, 4.1).
const MaxRTU = 256

// Errors of frames.
var (
	// ErrShort says that bytes are missing.
	ErrShort = errors.New("frame is too short")
	// ErrChecksum says that a CRC or LRC does not match.
	ErrChecksum = errors.New("bad checksum")
	// ErrFormat says that the bytes are not a frame of this framing.
	ErrFormat = errors.New("not a frame")
)

// AppendRTU appends the RTU frame of pdu for unit to dst.
func AppendRTU(dst []byte, unit byte, pdu []byte) []byte {
	start := len(dst)
	dst = append(dst, unit)
	dst = append(dst, pdu...)
	return binary.LittleEndian.AppendUint16(dst, CRC16(dst[start:]))
}

// DecodeRTU returns unit and PDU of exactly one RTU frame; pdu is a part of
// adu. The error wraps ErrShort, ErrFormat (longer than MaxRTU) or ErrChecksum.
func DecodeRTU(adu []byte) (unit byte, pdu []byte, err error) {
	if len(adu) < 4 {
		return 0, nil, fmt.Errorf("%d bytes: %w", len(adu), ErrShort)
	}
	if len(adu) > MaxRTU {
		return 0, nil, fmt.Errorf("%d bytes, at most %d are allowed: %w", len(adu), MaxRTU, ErrFormat)
	}
	if !ValidRTU(adu) {
		return 0, nil, ErrChecksum
	}
	return adu[0], adu[1 : len(adu)-2], nil
}

// ValidRTU reports whether the last two bytes of adu are the CRC of the rest.
func ValidRTU(adu []byte) bool {
	n := len(adu) - 2
	return n >= 2 && CRC16(adu[:n]) == binary.LittleEndian.Uint16(adu[n:])
}

// RTUResponseLength tells from its first bytes how long the answer to a read
// is: 5 for an exception, 5 and the byte count for data. If ok is false, n is
// the number of bytes needed to tell, or 0 where prefix is no such answer.
func RTUResponseLength(prefix []byte) (n int, ok bool) {
	if len(prefix) < 2 {
		return 2, false
	}
	switch f := prefix[1]; {
	case f&exceptionBit != 0:
		return 5, true
	case f < ReadCoils || f > ReadInputRegisters:
		return 0, false
	case len(prefix) < 3:
		return 3, false
	case prefix[2] == 0 || int(prefix[2]) > 2*MaxRegisters:
		return 0, false
	}
	return 5 + int(prefix[2]), true
}

// RTURequestLength tells from its first bytes how long a request is: functions
// 1 to 6 take 8 bytes, 0F and 10 nine and the byte count, 2B/0E seven. If ok
// is false, n is the number of bytes needed to tell, or 0 where the function
// is not known.
func RTURequestLength(prefix []byte) (n int, ok bool) {
	if len(prefix) < 2 {
		return 2, false
	}
	switch prefix[1] {
	case 0x01, 0x02, 0x03, 0x04, 0x05, 0x06:
		return 8, true
	case 0x0F, 0x10:
		if len(prefix) < 7 {
			return 7, false
		}
		return 9 + int(prefix[6]), true
	case 0x2B:
		return 7, true
	}
	return 0, false
}
