package alarm

import "math"

// Verdict is what a value says of a limit.
type Verdict uint8

// The verdicts. Between neither raises nor returns: the value is inside the limit by
// less than the deadband, or what it would be is not sure.
const (
	Between Verdict = iota
	Fine
	Bad
)

// Limit is a limit of a value and its deadband, in the value's unit.
type Limit struct {
	At    float64
	Back  float64 // zero or more
	Below bool    // bad is what lies below At, else what lies above
	// Reached makes At itself bad: a count that may be reached no more.
	Reached bool
}

// Judge tells whether v is bad, fine (inside by the deadband) or between. What is no
// number is between.
func (l Limit) Judge(v float64) Verdict {
	inside := l.At - v // how far inside the limit
	if l.Below {
		inside = v - l.At
	}
	switch {
	case math.IsNaN(inside):
		return Between
	case inside < 0, l.Reached && inside == 0:
		return Bad
	case inside >= l.Back:
		return Fine
	}
	return Between
}
