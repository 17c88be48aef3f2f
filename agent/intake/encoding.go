package intake

import (
	"encoding/binary"
	"io"
	"unicode/utf16"
	"unicode/utf8"
)

// noText stands in decoded text for what is no character of the encoding. It
// is in no UTF-8, so that the row that has it can be named.
const noText = 0xff

// decoder turns a file's bytes into UTF-8.
type decoder struct {
	encoding Encoding
	big      bool // utf-16: high byte first
}

// bytes returns how many bytes of the file a decoded text, all of whose
// characters are sound, was made of.
func (d *decoder) bytes(text []byte) int64 {
	switch d.encoding {
	case Windows1252:
		return int64(utf8.RuneCount(text))
	case UTF16:
		n := int64(0)
		for len(text) > 0 {
			r, size := utf8.DecodeRune(text)
			n += 2
			if r > 0xffff {
				n += 2
			}
			text = text[size:]
		}
		return n
	}
	return int64(len(text))
}

// appendText decodes raw, whole characters of the file.
func (d *decoder) appendText(dst, raw []byte) []byte {
	switch d.encoding {
	case Windows1252:
		for _, b := range raw {
			switch {
			case b < 0x80:
				dst = append(dst, b)
			case b >= 0xa0:
				dst = utf8.AppendRune(dst, rune(b))
			case windows1252[b-0x80] == 0:
				dst = append(dst, noText)
			default:
				dst = utf8.AppendRune(dst, windows1252[b-0x80])
			}
		}
	case UTF16:
		for i := 0; i < len(raw); i += 2 {
			r := rune(d.unit(raw[i:]))
			if utf16.IsSurrogate(r) {
				low := rune(0)
				if i+4 <= len(raw) {
					low = rune(d.unit(raw[i+2:]))
				}
				if r = utf16.DecodeRune(r, low); r == utf8.RuneError {
					dst = append(dst, noText)
					continue
				}
				i += 2
			}
			dst = utf8.AppendRune(dst, r)
		}
	default:
		dst = append(dst, raw...)
	}
	return dst
}

func (d *decoder) unit(b []byte) uint16 {
	switch {
	case len(b) < 2:
		return 0xd800 // half of a character
	case d.big:
		return binary.BigEndian.Uint16(b)
	}
	return binary.LittleEndian.Uint16(b)
}

// whole returns how many bytes of raw are whole characters.
func (d *decoder) whole(raw []byte) int {
	if d.encoding != UTF16 {
		return len(raw)
	}
	n := len(raw) &^ 1
	if n >= 2 && utf16.IsSurrogate(rune(d.unit(raw[n-2:n]))) && d.unit(raw[n-2:n]) < 0xdc00 {
		n -= 2 // its second half is still to come
	}
	return n
}

// decodeReader reads a file as UTF-8.
type decodeReader struct {
	decoder
	src  io.Reader
	raw  []byte // read and not decoded
	text []byte // decoded and not handed on
	err  error
}

// decodePiece is how much of a file is decoded at a time.
const decodePiece = 32 << 10

// Read implements io.Reader.
func (d *decodeReader) Read(p []byte) (int, error) {
	for len(d.text) == 0 {
		if d.err != nil {
			return 0, d.err
		}
		kept := len(d.raw)
		d.raw = append(d.raw, make([]byte, decodePiece-kept)...)
		n, err := d.src.Read(d.raw[kept:])
		d.raw, d.err = d.raw[:kept+n], err
		whole := d.whole(d.raw)
		if err != nil {
			whole = len(d.raw)
		}
		d.text = d.appendText(d.text[:0], d.raw[:whole])
		d.raw = d.raw[:copy(d.raw, d.raw[whole:])]
	}
	n := copy(p, d.text)
	d.text = d.text[n:]
	return n, nil
}

// windows1252 is 0x80 to 0x9f of code page 1252 (WHATWG index windows-1252,
// from memory); five bytes are no character.
var windows1252 = [32]rune{
	0x20ac, 0, 0x201a, 0x0192, 0x201e, 0x2026, 0x2020, 0x2021, 0x02c6, 0x2030, 0x0160, 0x2039, 0x0152, 0, 0x017d, 0,
	0, 0x2018, 0x2019, 0x201c, 0x201d, 0x2022, 0x2013, 0x2014, 0x02dc, 0x2122, 0x0161, 0x203a, 0x0153, 0, 0x017e, 0x0178,
}
