package textline

import (
	"slices"
	"strconv"
	"strings"

	"loadscribe/agent/scan"
)

// As is how the characters of a group are read.
type As uint8

// The ways to read a group.
const (
	Decimal     As = iota // digits, a sign, a point; kept as scan.KindDecimal
	Fixed                 // digits and a sign, the point implied; scan.KindDecimal
	Hexadecimal           // digits 0-9, A-F; scan.KindInt
	Word                  // one of Form.Words; scan.KindInt
)

// Form turns the characters of a group into a raw value.
type Form struct {
	As As
	// Decimals is how many digits of a Fixed stand behind the implied point,
	// 0 to 18.
	Decimals int
	// Comma: the point of a Decimal is a comma.
	Comma bool
	// Signed: a Hexadecimal is a two's complement of four bits a digit.
	Signed bool
	// Bit, 0 to 62, takes one bit of a Hexadecimal; -1: the whole number.
	Bit int
	// Words are the numbers of words, exactly as written.
	Words map[string]int64
	// Absent are the texts that mean "no value".
	Absent []string
}

// The greatest mantissa that fits beside eight bits of decimals, and the most
// decimals of scan.KindDecimal.
const (
	maxMantissa = 1<<55 - 1
	maxDecimals = 18
)

// Read returns the raw value of text, which may have spaces around it. The
// reason is Absent for the texts that say so (with the raw value 0 where they
// are no number), Implausible for what cannot be read, else Good.
func (f *Form) Read(text string) (raw int64, reason scan.Reason) {
	text = strings.Trim(text, " \t")
	raw, ok := f.raw(text)
	switch {
	case slices.Contains(f.Absent, text):
		return raw, scan.Absent
	case !ok:
		return 0, scan.Implausible
	}
	return raw, scan.Good
}

func (f *Form) raw(text string) (int64, bool) {
	switch f.As {
	case Hexadecimal:
		return f.hexadecimal(text)
	case Word:
		n, ok := f.Words[text]
		return n, ok
	case Fixed:
		m, decimals, ok := digits(text, 0)
		return m<<8 | int64(f.Decimals), ok && decimals == 0
	}
	point := byte('.')
	if f.Comma {
		point = ','
	}
	m, decimals, ok := digits(text, point)
	return m<<8 | int64(decimals), ok
}

func (f *Form) hexadecimal(text string) (int64, bool) {
	if text == "" || strings.ContainsAny(text, "+-_") {
		return 0, false
	}
	n, err := strconv.ParseUint(text, 16, 64)
	switch {
	case err != nil:
		return 0, false
	case f.Bit >= 0:
		return int64(n >> f.Bit & 1), true
	case f.Signed && len(text) <= 16:
		shift := 64 - 4*len(text)
		return int64(n<<shift) >> shift, true
	}
	return int64(n), n>>63 == 0
}

// digits reads a sign, spaces behind it, and digits with at most one point
// among them (point 0: none). Every digit counts: 7.20 has two decimals.
func digits(text string, point byte) (mantissa int64, decimals int, ok bool) {
	negative := strings.HasPrefix(text, "-")
	if negative || strings.HasPrefix(text, "+") {
		text = strings.TrimLeft(text[1:], " ")
	}
	some, pointed := false, false
	for i := 0; i < len(text); i++ {
		c := text[i]
		switch {
		case c == point && point != 0 && !pointed:
			pointed = true
			continue
		case c < '0' || c > '9':
			return 0, 0, false
		}
		some = true
		mantissa = 10*mantissa + int64(c-'0')
		if pointed {
			decimals++
		}
		if mantissa > maxMantissa || decimals > maxDecimals {
			return 0, 0, false
		}
	}
	if negative {
		mantissa = -mantissa
	}
	return mantissa, decimals, some
}
