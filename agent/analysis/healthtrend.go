package analysis

import (
	"math"
	"sort"
)

// change is a change of level in a row of values.
type change struct {
	at            int     // values before it
	before, after float64 // medians
	drift         bool    // a straight line fits better than a step
	p             float64 // how likely noise alone gives as much
}

const (
	// A change is told where noise would give it once in two hundred times.
	changeLevel = 0.005
	// Fewer values than these, in all and on either side, are too few.
	leastValues, leastSide = 12, 3
)

// changeOf finds the one change of level that the values show most clearly, by
// Pettitt's test (Applied Statistics 28, 1979, 126-135; statistic and
// approximation read on stored pages of a statistics package). It goes by ranks,
// so that single wild values do not matter. The test takes the values for
// independent; here what is left around the two levels is measured for how much
// each value is like the one before, and the statistic is taken down by that
// (variance of a mean under a first-order autoregression, from memory). A
// change of less than least is none.
func changeOf(values []float64, least float64) (c change, ok bool) {
	n := len(values)
	if n < leastValues {
		return c, false
	}
	_, k := pettitt(values)
	if pettittP(k, n) > changeLevel {
		return c, false
	}
	c, rest := bestStep(values)
	if line, ok := straighter(values, rest); ok {
		c.drift, rest = true, line
	}
	r := likeness(rest)
	c.p = pettittP(k*math.Sqrt((1-r)/(1+r)), n)
	return c, c.p <= changeLevel && math.Abs(c.after-c.before) >= least
}

// bestStep places the change where the two levels leave least: the place of K
// itself leans to the middle of the row.
func bestStep(values []float64) (c change, rest []float64) {
	least := math.Inf(1)
	left := make([]float64, len(values))
	for at := leastSide; at <= len(values)-leastSide; at++ {
		s := change{at: at, before: middle(values[:at]), after: middle(values[at:])}
		sum := 0.0
		for i, v := range values {
			left[i] = v - s.before
			if i >= at {
				left[i] = v - s.after
			}
			sum += math.Abs(left[i])
		}
		if sum < least {
			least, c, rest = sum, s, append(rest[:0], left...)
		}
	}
	return c, rest
}

// pettitt returns how many values lie before the likeliest change, and the
// statistic K: the largest |2·Σ ranks − k·(n+1)|.
func pettitt(values []float64) (at int, most float64) {
	ranks := ranksOf(values)
	n := float64(len(values))
	sum := 0.0
	for i, r := range ranks {
		sum += r
		k := float64(i + 1)
		if u := math.Abs(float64(2*sum) - float64(k*(n+1))); u > most {
			at, most = i+1, u
		}
	}
	return at, most
}

// pettittP is about how likely noise alone gives a K as large: good below 0.5.
func pettittP(k float64, n int) float64 {
	m := float64(n)
	return math.Min(1, 2*math.Exp(-6*k*k/(float64(m*m*m)+float64(m*m))))
}

// ranksOf gives each value its place among all; equal ones share the mean.
func ranksOf(values []float64) []float64 {
	order := make([]int, len(values))
	for i := range order {
		order[i] = i
	}
	sort.SliceStable(order, func(a, b int) bool { return values[order[a]] < values[order[b]] })
	ranks := make([]float64, len(values))
	for i := 0; i < len(order); {
		j := i
		for j < len(order) && values[order[j]] == values[order[i]] {
			j++
		}
		for k := i; k < j; k++ {
			ranks[order[k]] = float64(i+j+1) / 2
		}
		i = j
	}
	return ranks
}

// middle is the median.
func middle(values []float64) float64 {
	s := append([]float64(nil), values...)
	sort.Float64s(s)
	n := len(s)
	return (s[(n-1)/2] + s[n/2]) / 2
}

// likeness is the correlation of neighbours, up to 0.95; 0 where it is no more
// than independent values show one time in twenty.
func likeness(rest []float64) float64 {
	var pair, square float64
	for i, v := range rest {
		square += float64(v * v)
		if i > 0 {
			pair += float64(v * rest[i-1])
		}
	}
	if r := pair / square; r > 1.645/math.Sqrt(float64(len(rest))) {
		return math.Min(0.95, r)
	}
	return 0
}

// straighter returns what the line through the medians of the outer thirds
// leaves, where that is less than nine tenths of what the step leaves.
func straighter(values, rest []float64) (line []float64, ok bool) {
	n := len(values)
	third := n / 3
	slope := (middle(values[n-third:]) - middle(values[:third])) / float64(n-third)
	line = make([]float64, n)
	for i, v := range values {
		line[i] = v - float64(slope*float64(i))
	}
	level := middle(line)
	var byLine, byStep float64
	for i := range line {
		line[i] -= level
		byLine += math.Abs(line[i])
		byStep += math.Abs(rest[i])
	}
	return line, byLine < 0.9*byStep
}
