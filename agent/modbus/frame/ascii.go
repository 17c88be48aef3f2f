package frame

import "fmt"

// MaxASCII is the longest ASCII frame in characters, colon and CR LF included
// (Modbus over Serial Line V1.02, 2.5.2.1).
const MaxASCII = 513

const hexDigits = "0123456789ABCDEF"

// AppendASCII appends the ASCII frame of pdu for unit to dst: colon, two
// upper-case hexadecimal characters a byte, LRC, CR LF.
func AppendASCII(dst []byte, unit byte, pdu []byte) []byte {
	dst = append(dst, ':', hexDigits[unit>>4], hexDigits[unit&15])
	sum := unit
	for _, v := range pdu {
		dst = append(dst, hexDigits[v>>4], hexDigits[v&15])
		sum += v
	}
	lrc := -sum
	return append(dst, hexDigits[lrc>>4], hexDigits[lrc&15], '\r', '\n')
}

// DecodeASCII decodes exactly one ASCII frame, from colon to CR LF. The PDU is
// decoded into dst's room (its length is ignored). Lower-case hexadecimal is
// taken too. The error wraps ErrShort, ErrFormat or ErrChecksum.
func DecodeASCII(dst, adu []byte) (unit byte, pdu []byte, err error) {
	if len(adu) < 9 {
		return 0, nil, fmt.Errorf("%d characters: %w", len(adu), ErrShort)
	}
	if len(adu) > MaxASCII {
		return 0, nil, fmt.Errorf("%d characters, at most %d are allowed: %w", len(adu), MaxASCII, ErrFormat)
	}
	end := len(adu) - 2
	if adu[0] != ':' || adu[end] != '\r' || adu[end+1] != '\n' || end%2 == 0 {
		return 0, nil, fmt.Errorf("no colon, CR LF or even count of digits: %w", ErrFormat)
	}
	dst = dst[:0]
	for i := 1; i < end; i += 2 {
		hi, okHi := hexValue(adu[i])
		lo, okLo := hexValue(adu[i+1])
		if !okHi || !okLo {
			return 0, nil, fmt.Errorf("%q at %d is no hexadecimal: %w", adu[i:i+2], i, ErrFormat)
		}
		dst = append(dst, hi<<4|lo)
	}
	n := len(dst) - 1
	if LRC(dst[:n]) != dst[n] {
		return 0, nil, ErrChecksum
	}
	return dst[0], dst[1:n], nil
}

func hexValue(c byte) (byte, bool) {
	switch {
	case c >= '0' && c <= '9':
		return c - '0', true
	case c >= 'A' && c <= 'F':
		return c - 'A' + 10, true
	case c >= 'a' && c <= 'f':
		return c - 'a' + 10, true
	}
	return 0, false
}
