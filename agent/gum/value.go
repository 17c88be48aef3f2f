package gum

import (
	"math"
	"slices"
	"strings"
)

// Value is a number with the parts of its standard uncertainty. The zero Value is
// exactly 0. Values are immutable but for V, and safe to share.
type Value struct {
	V     float64
	parts []part // by name, each name once, none 0
}

// part is what one input brings into a value: its sensitivity times its standard
// uncertainty, with the sign.
type part struct {
	input string
	u     float64
}

// New is a value with the standard uncertainty u, all of which comes from the
// input of this name.
func New(v, u float64, input string) Value {
	if u == 0 {
		return Value{V: v}
	}
	return Value{v, []part{{input, u}}}
}

// Rectangular is the standard uncertainty of a limit of which no more is known.
func Rectangular(limit float64) float64 { return math.Abs(limit) / math.Sqrt(3) }

// Exact is a value without uncertainty.
func Exact(v float64) Value { return Value{V: v} }

// Term is a value with the sensitivity of a result to it.
type Term struct {
	C float64
	X Value
}

// Linear is the result v of a function whose partial derivatives are the terms'
// C. It serves for formulas that the other operations do not write.
func Linear(v float64, terms ...Term) Value {
	var parts []part
	for _, t := range terms {
		parts = joined(parts, t.X.parts, t.C)
	}
	return Value{v, parts}
}

// joined is a + c·b, in new memory. Both are in the order of their names.
func joined(a, b []part, c float64) []part {
	if c == 0 || len(b) == 0 {
		return a
	}
	sum := make([]part, 0, len(a)+len(b))
	for len(a) > 0 || len(b) > 0 {
		order := -1
		switch {
		case len(a) == 0:
			order = 1
		case len(b) > 0:
			order = strings.Compare(a[0].input, b[0].input)
		}
		next := part{}
		if order <= 0 {
			next, a = a[0], a[1:]
		}
		if order >= 0 {
			next = part{b[0].input, next.u + float64(c*b[0].u)}
			b = b[1:]
		}
		if next.u != 0 {
			sum = append(sum, next)
		}
	}
	return sum
}

// U is the standard uncertainty.
func (x Value) U() float64 { return math.Sqrt(x.variance()) }

func (x Value) variance() float64 { return Covariance(x, x) }

// Plus is x + y.
func (x Value) Plus(y Value) Value { return Linear(float64(x.V)+float64(y.V), Term{1, x}, Term{1, y}) }

// Minus is x - y.
func (x Value) Minus(y Value) Value {
	return Linear(float64(x.V)-float64(y.V), Term{1, x}, Term{-1, y})
}

// Times is x · y.
func (x Value) Times(y Value) Value { return Linear(float64(x.V*y.V), Term{y.V, x}, Term{x.V, y}) }

// Over is x / y; y.V must not be 0.
func (x Value) Over(y Value) Value {
	q := x.V / y.V
	return Linear(q, Term{1 / y.V, x}, Term{-q / y.V, y})
}

// Scaled is x times an exact number.
func (x Value) Scaled(by float64) Value { return Linear(float64(x.V*by), Term{by, x}) }

// Pow is x to an exact power; x.V must be above 0.
func (x Value) Pow(n float64) Value {
	return Linear(math.Pow(x.V, n), Term{float64(n * math.Pow(x.V, n-1)), x})
}

// Log is the natural logarithm; x.V must be above 0.
func (x Value) Log() Value { return Linear(math.Log(x.V), Term{1 / x.V, x}) }

// Exp is e to the power of x.
func (x Value) Exp() Value {
	e := math.Exp(x.V)
	return Linear(e, Term{e, x})
}

// Sum is the sum of values, added in the order given.
func Sum(values ...Value) Value {
	var all Value
	for _, v := range values {
		all = all.Plus(v)
	}
	return all
}

// Covariance is that of two values: the sum over the inputs that both rest on.
func Covariance(x, y Value) float64 {
	var sum float64
	a, b := x.parts, y.parts
	for len(a) > 0 && len(b) > 0 {
		switch order := strings.Compare(a[0].input, b[0].input); {
		case order < 0:
			a = a[1:]
		case order > 0:
			b = b[1:]
		default:
			sum += float64(a[0].u * b[0].u)
			a, b = a[1:], b[1:]
		}
	}
	return sum
}

// Share is the part of a value's variance that one input brings, 0 to 1.
type Share struct {
	Input string
	Of    float64
}

// Shares is the budget: what each input brings, largest first, those that are
// alike by name. They sum to 1; an exact value has none.
func (x Value) Shares() []Share {
	all := x.variance()
	if all == 0 {
		return nil
	}
	shares := make([]Share, len(x.parts))
	for i, p := range x.parts {
		shares[i] = Share{p.input, float64(p.u*p.u) / all}
	}
	slices.SortStableFunc(shares, func(a, b Share) int {
		switch {
		case a.Of > b.Of:
			return -1
		case a.Of < b.Of:
			return 1
		}
		return 0
	})
	return shares
}

// Part is the signed standard uncertainty that an input brings; 0 where x does
// not rest on it.
func (x Value) Part(input string) float64 {
	for _, p := range x.parts {
		if p.input == input {
			return p.u
		}
	}
	return 0
}

// With is x as it would be if the input's standard uncertainty were factor times
// what it is. Its value stays.
func (x Value) With(input string, factor float64) Value {
	if p := x.Part(input); p != 0 {
		return Linear(x.V, Term{1, x}, Term{factor - 1, New(0, p, input)})
	}
	return x
}

// Apart is x as another occasion's: inputs that are not the same unknown on both,
// as shared tells by their names, get mark behind their name, so that they neither
// cancel nor add up with those of the other.
func (x Value) Apart(mark string, shared func(input string) bool) Value {
	renamed := Exact(x.V)
	for _, p := range x.parts {
		name := p.input
		if !shared(name) {
			name += mark
		}
		renamed.parts = joined(renamed.parts, []part{{name, p.u}}, 1)
	}
	return renamed
}

// Inputs are the names of what x rests on, in their order.
func (x Value) Inputs() []string {
	names := make([]string, len(x.parts))
	for i, p := range x.parts {
		names[i] = p.input
	}
	return names
}
