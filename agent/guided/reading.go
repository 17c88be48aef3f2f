package guided

import (
	"math"

	"loadscribe/agent/baseline"
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

// fit lays a line through samples, of f(pressure). Through fewer than three it is
// level: they tell no slope.
func fit(list []sample, f func(pa float64) float64) baseline.Line {
	l := baseline.Straight(len(list), func(i int) (t, y float64) { return list[i].s, f(list[i].pa) })
	if l.N < 3 {
		l.Slope, l.USlope, l.UMean = 0, 0, 0
	}
	return l
}

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

// scattered is the mean of results and its standard uncertainty from their
// scatter; infinite of one alone. A mean of few results is known less well than
// its scatter says: twice the uncertainty holds 95 % by Student's distribution.
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
	t := baseline.Quantile(0.95, n-1)
	return mean, t / 2 * math.Sqrt(sum/(n-1)/n)
}

// relative is a factor of 1 with a standard uncertainty.
func relative(u float64, input string) gum.Value { return gum.New(1, u, input) }
