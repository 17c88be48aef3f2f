package guided

import (
	"math"

	"loadscribe/agent/gum"
)

// Doing is what a machine does at a moment.
type Doing uint8

// What a machine can do.
const (
	Unseen   Doing = iota // nothing tells
	Resting               // off, standby or stopped
	Starting              // the motor comes up, no air yet
	Unloaded
	Loaded
	PartLoad
	Tripped
)

// Reading is the plant at one moment.
type Reading struct {
	MonoMS, WallMS int64
	PressurePa     float64 // gauge, at the plan's tap
	Good           bool    // the pressure was read
	Reason         string  // why not
	Doing          []Doing // of the plan's machines, in their order
}

// sample is a good pressure.
type sample struct{ s, pa float64 }

// line is the least-squares line through samples: y = mean + slope·(t - at).
type line struct {
	at, mean, slope float64
	uSlope, uMean   float64 // standard, from the scatter around it
	n               int
}

// fit lays a line through at least three samples, of f(pressure).
func fit(list []sample, f func(pa float64) float64) line {
	l := line{n: len(list)}
	n := float64(l.n)
	for _, p := range list {
		l.at += p.s / n
		l.mean += f(p.pa) / n
	}
	var tt, ty, yy float64
	for _, p := range list {
		t, y := p.s-l.at, f(p.pa)-l.mean
		tt, ty, yy = tt+float64(t*t), ty+float64(t*y), yy+float64(y*y)
	}
	if tt == 0 || l.n < 3 {
		return l
	}
	l.slope = ty / tt
	rest := math.Sqrt(max(0, yy-float64(l.slope*ty)) / (n - 2))
	l.uSlope, l.uMean = rest/math.Sqrt(tt), rest/math.Sqrt(n)
	return l
}

func (l line) value(s float64) float64 { return l.mean + float64(l.slope*(s-l.at)) }

func linear(pa float64) float64 { return pa }

// between are the samples of a span of time.
func between(list []sample, from, to float64) []sample {
	a, b := 0, len(list)
	for a < b && list[a].s < from {
		a++
	}
	for b > a && list[b-1].s > to {
		b--
	}
	return list[a:b]
}

// rectangular is the standard uncertainty of a limit of which no more is known.
func rectangular(limit float64) float64 { return limit / math.Sqrt(3) }

// student are half the widths of 95 % by degrees of freedom (Student's t, GUM
// table G.2, from memory): a mean of few results is known less well than its
// scatter says, so that twice the standard uncertainty still holds 95 %.
var student = [...]float64{12.71, 4.30, 3.18, 2.78, 2.57, 2.45, 2.36, 2.31, 2.26}

// scattered is the mean of results and its standard uncertainty from their
// scatter; infinite of one alone.
func scattered(list []float64) (mean, u float64) {
	n := float64(len(list))
	for _, v := range list {
		mean += v / n
	}
	if len(list) < 2 {
		return mean, math.Inf(1)
	}
	sum := 0.0
	for _, v := range list {
		sum += float64((v - mean) * (v - mean))
	}
	t := student[min(len(list)-2, len(student)-1)]
	return mean, t / 2 * math.Sqrt(sum/(n-1)/n)
}

// relative is a factor of 1 with a standard uncertainty.
func relative(u float64, input string) gum.Value { return gum.New(1, u, input) }
