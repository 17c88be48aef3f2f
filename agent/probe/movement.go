package probe

import (
	"fmt"
	"math"
	"strconv"
)

// Point is one value of a series.
type Point struct {
	Seconds float64
	Value   float64
}

// Kind is how a value moves.
type Kind string

// The kinds of movement.
const (
	Unknown  Kind = "unknown"   // seen fewer than twice
	Steady   Kind = "steady"    // always the same
	Toggles  Kind = "toggles"   // between two values, more than once
	Changed  Kind = "changed"   // once, from one value to another
	Rises    Kind = "rises"     // never falls
	Falls    Kind = "falls"     // never rises
	SawTooth Kind = "saw-tooth" // up and down between two bounds, in long strokes
	Wanders  Kind = "wanders"   // any other
)

// Movement says how a value moved while it was watched.
type Movement struct {
	Kind Kind `json:"kind"`
	// Text says it in words: "rises by 1 a second".
	Text string  `json:"text"`
	Low  float64 `json:"low"`
	High float64 `json:"high"`
	// PerSecond is the mean slope where the value only rises or only falls.
	PerSecond float64 `json:"per_second,omitempty"`
}

// Thresholds of the shapes; shares are of the range between least and greatest.
const (
	turnShare  = 0.35 // a turn counts once the value has come back by this
	strokes    = 0.6  // share of the whole way that long strokes must make up
	longStroke = 4    // points that a stroke has at the least, on average
	evenShare  = 0.15 // a slope is even where no point is further off its line
	wholeSlope = 0.1  // a slope this near to a whole number a second is called that
)

// slopeValues is the number of different values from which on a series that
// goes one way is said to rise or fall.
const slopeValues = 5

// Judge says how a series moves. modulus is where a counter begins again at
// zero (65536 for 16 bits), or 0.
func Judge(points []Point, modulus float64) Movement {
	if len(points) < 2 {
		return Movement{Kind: Unknown, Text: "seen once"}
	}
	m := Movement{Low: math.Inf(1), High: math.Inf(-1)}
	values := map[float64]bool{}
	for _, p := range points {
		m.Low, m.High = math.Min(m.Low, p.Value), math.Max(m.High, p.Value)
		values[p.Value] = true
	}
	switch len(values) {
	case 1:
		m.Kind, m.Text = Steady, "steady"
		return m
	case 2:
		return m.two(points)
	}
	through, wraps := unwrap(points, modulus)
	// Fewer values may be a word of bits that happened to go one way.
	if slope, even, ok := oneWay(through); ok {
		if len(values) < slopeValues {
			m.Kind, m.Text = Wanders, fmt.Sprintf("took %d values between %s", len(values), m.between())
			return m
		}
		return m.slope(through, slope, even, wraps)
	}
	return m.shape(points)
}

// two names the movement between two values.
func (m Movement) two(points []Point) Movement {
	changes, at := 0, 0.0
	for i := 1; i < len(points); i++ {
		if points[i].Value != points[i-1].Value {
			changes++
			at = points[i].Seconds
		}
	}
	if changes == 1 {
		m.Kind = Changed
		m.Text = fmt.Sprintf("changed once, from %s to %s after %.0f s", number(points[0].Value), number(points[len(points)-1].Value), at)
		return m
	}
	m.Kind = Toggles
	m.Text = fmt.Sprintf("toggles between %s and %s, %d times", number(m.Low), number(m.High), changes)
	return m
}

// unwrap takes out one step back of more than half the modulus: a counter that
// began again.
func unwrap(points []Point, modulus float64) (through []Point, wraps bool) {
	through = append([]Point(nil), points...)
	if modulus <= 0 {
		return through, false
	}
	add := 0.0
	for i := 1; i < len(points); i++ {
		if points[i].Value-points[i-1].Value < -modulus/2 {
			add += modulus
		}
		through[i].Value += add
	}
	return through, add == modulus
}

// oneWay reports whether the series only rises or only falls, its mean slope a
// second, and whether it does so evenly.
func oneWay(points []Point) (slope float64, even, ok bool) {
	up, down, biggest := false, false, 0.0
	for i := 1; i < len(points); i++ {
		step := points[i].Value - points[i-1].Value
		up = up || step > 0
		down = down || step < 0
		biggest = math.Max(biggest, math.Abs(step))
	}
	first, last := points[0], points[len(points)-1]
	if up && down || last.Seconds <= first.Seconds {
		return 0, false, false
	}
	slope = (last.Value - first.Value) / (last.Seconds - first.Seconds)
	// A counter moves in steps: one of them may always be due.
	room := math.Max(biggest, evenShare*math.Abs(last.Value-first.Value))
	even = true
	for _, p := range points {
		if line := first.Value + slope*(p.Seconds-first.Seconds); math.Abs(p.Value-line) > room*1.01 {
			even = false
		}
	}
	return slope, even, true
}

func (m Movement) slope(points []Point, slope float64, even, wraps bool) Movement {
	m.Kind = Rises
	if slope < 0 {
		m.Kind = Falls
	}
	m.PerSecond = slope
	size := math.Abs(slope)
	if whole := math.Round(size); whole >= 1 && math.Abs(size-whole) < wholeSlope {
		size = whole
	}
	m.Text = fmt.Sprintf("%s by %s a second", m.Kind, strconv.FormatFloat(size, 'g', slopeDigits(size), 64))
	if !even {
		m.Text = fmt.Sprintf("%s from %s to %s, not evenly", m.Kind, number(points[0].Value), number(points[len(points)-1].Value))
	}
	if wraps {
		m.Text += " and began again at 0"
	}
	return m
}

// slopeDigits keeps three digits of a slope, and all of those before the point.
func slopeDigits(size float64) int {
	return max(3, 1+int(math.Log10(math.Max(size, 1))))
}

// shape tells long strokes from wandering: the way between the turning points
// against the whole way.
func (m Movement) shape(points []Point) Movement {
	turns, strokesWay, wholeWay := turningPoints(points, turnShare*(m.High-m.Low))
	switch {
	case strokesWay < strokes*wholeWay, len(points) < longStroke*(len(turns)+1):
		m.Kind = Wanders
		m.Text = "wanders between " + m.between()
	case len(turns) >= 2:
		m.Kind = SawTooth
		m.Text = "saw-tooth between " + m.between()
	case len(turns) == 1 && turns[0] > points[0].Value:
		m.Kind = Wanders
		m.Text = "rises, then falls, between " + m.between()
	case len(turns) == 1:
		m.Kind = Wanders
		m.Text = "falls, then rises, between " + m.between()
	case points[len(points)-1].Value > points[0].Value:
		m.Kind = Wanders
		m.Text = "rises with small steps back, between " + m.between()
	default:
		m.Kind = Wanders
		m.Text = "falls with small steps back, between " + m.between()
	}
	return m
}

// turningPoints walks along the series; a turn counts once the value has come
// back from it by least.
func turningPoints(points []Point, least float64) (turns []float64, strokesWay, wholeWay float64) {
	start, extreme := points[0].Value, points[0].Value
	low, high := start, start
	direction := 0.0
	for i := 1; i < len(points); i++ {
		v := points[i].Value
		wholeWay += math.Abs(v - points[i-1].Value)
		switch {
		case direction == 0:
			low, high = math.Min(low, v), math.Max(high, v)
			if v-low >= least {
				direction, extreme = 1, v
			} else if high-v >= least {
				direction, extreme = -1, v
			}
		case (v-extreme)*direction > 0:
			extreme = v
		case (extreme-v)*direction >= least:
			turns = append(turns, extreme)
			strokesWay += math.Abs(extreme - start)
			start, extreme, direction = extreme, v, -direction
		}
	}
	return turns, strokesWay + math.Abs(extreme-start), wholeWay
}

// between gives the bounds, and those of a tenth where the raw values look like
// a pressure or temperature kept in tenths.
func (m Movement) between() string {
	text := number(m.Low) + " and " + number(m.High)
	whole := m.Low == math.Trunc(m.Low) && m.High == math.Trunc(m.High)
	if whole && m.Low >= 0 && m.High >= 100 && m.High < 10_000 {
		text += fmt.Sprintf(" (×0.1: %.1f and %.1f)", m.Low/10, m.High/10)
	}
	return text
}

// number writes a value with as many digits as help.
func number(v float64) string {
	if v == math.Trunc(v) && math.Abs(v) < 1e12 {
		return strconv.FormatFloat(v, 'f', 0, 64)
	}
	return strconv.FormatFloat(v, 'g', 5, 64)
}
