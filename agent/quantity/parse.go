package quantity

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
)

// The reasons why a text is not a quantity.
var (
	// ErrUnknownUnit is wrapped when a unit is not in the table.
	ErrUnknownUnit = errors.New("unknown unit")
	// ErrWrongDimension is wrapped when a unit is known but measures
	// something else than was asked for.
	ErrWrongDimension = errors.New("wrong kind of quantity")
	// ErrNotANumber is wrapped when the text does not begin with a finite
	// number or has no unit after it.
	ErrNotANumber = errors.New("not a number with a unit")
)

// ParseUnit finds a unit by one of its spellings. Letter case counts, as it
// does in "mW" and "MW". The error wraps ErrUnknownUnit and names the nearest
// known unit where one is near.
func ParseUnit(text string) (Unit, error) {
	t := strings.TrimSpace(text)
	for i := range spellings {
		if spellings[i].text == t {
			return spellings[i].unit, nil
		}
	}
	if t == "" {
		return Unit{}, fmt.Errorf("%w: empty; write \"1\" for a plain number", ErrUnknownUnit)
	}
	known := make([]string, len(spellings))
	for i := range spellings {
		known[i] = spellings[i].text
	}
	if near := Nearest(t, known); near != "" {
		return Unit{}, fmt.Errorf("%w %q; did you mean %q?", ErrUnknownUnit, text, near)
	}
	return Unit{}, fmt.Errorf("%w %q; known are, for example, psi, bar(g), cfm, m³/min, kW, °F, A", ErrUnknownUnit, text)
}

// Parse reads a number with its unit, such as "185 cfm" or "7.2 bar(g)". The
// space may be left out. The decimal sign is a point. Errors wrap
// ErrNotANumber or ErrUnknownUnit.
func Parse(text string) (Quantity, error) {
	value, unitText, err := splitNumber(text)
	if err != nil {
		return Quantity{}, err
	}
	u, err := ParseUnit(unitText)
	if err != nil {
		return Quantity{}, err
	}
	return finite(text, Quantity{Value: value, Unit: u})
}

// ParseDim is Parse for a quantity of dimension d. A "m" where a duration is
// asked for means minutes, as in "15m". Errors wrap ErrNotANumber,
// ErrUnknownUnit or ErrWrongDimension and show how d is written.
func ParseDim(text string, d Dimension) (Quantity, error) {
	value, unitText, err := splitNumber(text)
	if err != nil {
		return Quantity{}, fmt.Errorf("%w; write %s like %s", err, d.withArticle(), d.examples())
	}
	if d == Duration && unitText == "m" {
		unitText = "min"
	}
	u, err := ParseUnit(unitText)
	if err != nil {
		return Quantity{}, fmt.Errorf("%w; write %s like %s", err, d.withArticle(), d.examples())
	}
	if u.Dimension != d {
		return Quantity{}, fmt.Errorf("%w: %q is %s, but %s is wanted here, like %s",
			ErrWrongDimension, text, u.Dimension.withArticle(), d.withArticle(), d.examples())
	}
	return finite(text, Quantity{Value: value, Unit: u})
}

// finite refuses a number that overflows once it is in SI.
func finite(text string, q Quantity) (Quantity, error) {
	if si := q.SI(); math.IsInf(si, 0) || math.IsNaN(si) {
		return Quantity{}, fmt.Errorf("%w: %q is too large", ErrNotANumber, text)
	}
	return q, nil
}

// splitNumber cuts text into its leading decimal number and the trimmed rest,
// which is never empty.
func splitNumber(text string) (value float64, rest string, err error) {
	t := strings.TrimSpace(text)
	n := numberLength(t)
	if n == 0 {
		return 0, "", fmt.Errorf("%w: %q does not begin with a number", ErrNotANumber, text)
	}
	value, err = strconv.ParseFloat(t[:n], 64)
	if err != nil {
		return 0, "", fmt.Errorf("%w: %q is too large", ErrNotANumber, text)
	}
	rest = strings.TrimSpace(t[n:])
	if rest == "" {
		return 0, "", fmt.Errorf("%w: %q has no unit", ErrNotANumber, text)
	}
	if rest[0] == ',' {
		return 0, "", fmt.Errorf("%w: %q has a comma; the decimal sign is a point", ErrNotANumber, text)
	}
	return value, rest, nil
}

// numberLength is the length of the decimal number that t begins with:
// sign, digits, point, exponent. Zero if there is none.
func numberLength(t string) int {
	i := 0
	if i < len(t) && (t[i] == '+' || t[i] == '-') {
		i++
	}
	digits := 0
	for seenPoint := false; i < len(t); i++ {
		if t[i] == '.' && !seenPoint {
			seenPoint = true
			continue
		}
		if t[i] < '0' || t[i] > '9' {
			break
		}
		digits++
	}
	if digits == 0 {
		return 0
	}
	if i < len(t) && (t[i] == 'e' || t[i] == 'E') {
		j := i + 1
		if j < len(t) && (t[j] == '+' || t[j] == '-') {
			j++
		}
		k := j
		for k < len(t) && t[k] >= '0' && t[k] <= '9' {
			k++
		}
		if k > j {
			i = k
		}
	}
	return i
}

// ParseLength reads a length in m, also one that is written as a fraction, as hole
// gauges are: "1/8 in".
func ParseLength(text string) (float64, error) {
	above, rest, fraction := strings.Cut(text, "/")
	if fraction {
		below, unit, _ := strings.Cut(strings.TrimSpace(rest), " ")
		a, errA := strconv.ParseFloat(strings.TrimSpace(above), 64)
		b, errB := strconv.ParseFloat(below, 64)
		if errA != nil || errB != nil || b == 0 {
			return 0, fmt.Errorf(`%q is no length: write it like "1/8 in", "0.125 in" or "3 mm"`, text)
		}
		text = fmt.Sprintf("%g %s", a/b, unit)
	}
	q, err := ParseDim(text, Length)
	return q.SI(), err
}
