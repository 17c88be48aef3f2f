package intake

import (
	"errors"
	"fmt"
	"math/big"
	"strconv"
	"strings"
)

// number is a decimal of a file: mantissa·10^-places. Where digits do not fit
// into 63 bits, big holds the mantissa.
type number struct {
	mantissa int64
	big      *big.Int
	places   int // negative: zeros before the point
	negative bool
}

const mostPlaces = 400 // beyond any float64

var errNoNumber = errors.New("is not a number")

// parseNumber reads a sign, digits, the decimal sign, digits, and an exponent.
// The error is a sentence's end. Nothing groups digits: what looks like a
// thousands separator may be a decimal sign, and is refused.
func parseNumber(text []byte, comma bool) (number, error) {
	point := byte('.')
	if comma {
		point = ','
	}
	var n number
	i := 0
	if i < len(text) && (text[i] == '-' || text[i] == '+') {
		n.negative = text[i] == '-'
		i++
	}
	first, digits, seen := i, 0, false
	for ; i < len(text); i++ {
		c := text[i]
		if c == point && !seen {
			seen = true
			continue
		}
		if c < '0' || c > '9' {
			break
		}
		digits++
		if seen {
			n.places++
		}
		if n.big == nil && n.mantissa > (1<<63-10)/10 {
			n.big = big.NewInt(n.mantissa)
		}
		if n.big != nil {
			if digits > mostPlaces {
				return n, errNoNumber
			}
			n.big.Mul(n.big, big.NewInt(10)).Add(n.big, big.NewInt(int64(c-'0')))
			continue
		}
		n.mantissa = 10*n.mantissa + int64(c-'0')
	}
	if digits == 0 {
		return n, errNoNumber
	}
	if i < len(text) {
		if err := n.exponent(text, first, i, comma); err != nil {
			return n, err
		}
	}
	if n.negative {
		n.mantissa = -n.mantissa
		if n.big != nil {
			n.big.Neg(n.big)
		}
	}
	return n, nil
}

// exponent reads what stands behind the digits, from text[i] on.
func (n *number) exponent(text []byte, first, i int, comma bool) error {
	if text[i] != 'e' && text[i] != 'E' {
		return notNumber(text[first:], comma)
	}
	e, err := strconv.ParseInt(string(text[i+1:]), 10, 16)
	if err != nil || e > mostPlaces || e < -mostPlaces {
		return errNoNumber
	}
	n.places -= int(e)
	return nil
}

// notNumber says what is most likely meant by digits with other signs in them.
func notNumber(text []byte, comma bool) error {
	digits := strings.Map(func(r rune) rune {
		switch r {
		case '.', ',', ' ', '\'', '_', 0xa0, 0x202f, 0x2019:
			return -1
		}
		return r
	}, string(text))
	if digits == "" || strings.Trim(digits, "0123456789") != "" {
		return errNoNumber
	}
	groups := `digits are grouped, or the decimal sign is another: export it without thousands separators`
	if !comma && strings.Count(string(text), ",") == 1 && !strings.Contains(string(text), ".") {
		return errors.New(groups + `, or write decimal = "," if the comma is the decimal sign`)
	}
	if comma && strings.Count(string(text), ".") == 1 && !strings.Contains(string(text), ",") {
		return errors.New(groups + `, or write decimal = "." if the point is the decimal sign`)
	}
	return fmt.Errorf("%s; the decimal sign is %q here", groups, pointOf(comma))
}

func pointOf(comma bool) string {
	if comma {
		return ","
	}
	return "."
}

// whole returns n as a number without decimals.
func wholeNumber(n int64) number { return number{mantissa: n, negative: n < 0} }

// rat returns n exactly.
func (n *number) rat() *big.Rat {
	m := n.big
	if m == nil {
		m = big.NewInt(n.mantissa)
	}
	if n.places <= 0 {
		return new(big.Rat).SetInt(new(big.Int).Mul(m, pow10(-n.places)))
	}
	return new(big.Rat).SetFrac(m, pow10(n.places))
}

func pow10(n int) *big.Int {
	return new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(n)), nil)
}

// exactly is the decimal that prints f most shortly: what was written. f is
// finite.
func exactly(f float64) *big.Rat {
	r, _ := new(big.Rat).SetString(strconv.FormatFloat(f, 'g', -1, 64))
	return r
}

// decimalsOf returns how many decimals r has; ok is false where they never end.
func decimalsOf(r *big.Rat) (places int, ok bool) {
	den := new(big.Int).Set(r.Denom())
	twos := int(den.TrailingZeroBits())
	den.Rsh(den, uint(twos))
	fives := 0
	five, rest, zero := big.NewInt(5), new(big.Int), new(big.Int)
	for den.BitLen() > 1 {
		q, m := new(big.Int).QuoRem(den, five, rest)
		if m.Cmp(zero) != 0 {
			return 0, false
		}
		den = q
		fives++
	}
	return max(twos, fives), true
}
