package align

import (
	"math"
	"slices"
)

// learnSwing is the least swing of a series that counts: half of those that are
// usual, and nothing that its noise would make.
func learnSwing(pieces []piece) float64 {
	var bends []float64
	quantum := math.Inf(1)
	for _, p := range pieces {
		for i := 1; i < len(p.v); i++ {
			if d := math.Abs(p.v[i] - p.v[i-1]); d > 0 {
				quantum = min(quantum, d)
			}
			if i+1 < len(p.v) {
				bends = append(bends, math.Abs(p.v[i+1]-2*p.v[i]+p.v[i-1]))
			}
		}
	}
	if math.IsInf(quantum, 1) { // it never changes
		return 0
	}
	least := max(noisesOfSwing*madToSigma*median(bends)/math.Sqrt(6), 2*quantum)
	var swings []float64
	for _, p := range pieces {
		at := p.zigzag(least)
		for i := 1; i < len(at); i++ {
			swings = append(swings, math.Abs(p.v[at[i]]-p.v[at[i-1]]))
		}
	}
	if len(swings) == 0 {
		return least
	}
	slices.Sort(swings)
	return max(least, leastSwing*swings[int(usualSwing*float64(len(swings)-1))])
}

// zigzag returns the extremes between which the piece swings by at least so much,
// high and low in turn. What lies before the first and behind the last is not
// known, so those two may be no extremes of the whole.
func (p piece) zigzag(least float64) []int {
	var at []int
	low, high := 0, 0
	dir := 0 // 1: up since the last extreme
	for i, v := range p.v {
		if v > p.v[high] {
			high = i
		}
		if v < p.v[low] {
			low = i
		}
		switch {
		case dir >= 0 && p.v[high]-v >= least:
			at = append(at, high)
			dir, low = -1, i
		case dir <= 0 && v-p.v[low] >= least:
			at = append(at, low)
			dir, high = 1, i
		}
	}
	switch dir {
	case 1:
		at = append(at, high)
	case -1:
		at = append(at, low)
	}
	return at
}

// turns appends the piece's turning points: the extremes that a swing of at least
// so much goes before and follows.
func (p piece) turns(edges []Edge, least float64) []Edge {
	if least <= 0 {
		return edges
	}
	at := p.zigzag(least)
	for i := 1; i+1 < len(at); i++ {
		e, after := at[i], at[i+1]
		rise := p.v[after] > p.v[e]
		edges = append(edges, Edge{p.crossing(e, at[i-1], after), rise, math.Abs(p.v[after] - p.v[e])})
	}
	return edges
}

// crossing is the moment at which the lines along the flanks beside reading e
// cross, within the readings beside it; the extreme's own where a flank has fewer
// than two readings between its ends.
func (p piece) crossing(e, before, after int) int64 {
	left := p.flank(e, -1, before)
	right := p.flank(e, 1, after)
	slopes := left.slope - right.slope
	if !left.ok || !right.ok || slopes == 0 {
		return p.t[e]
	}
	x := (right.at0 - left.at0) / slopes
	lo, hi := float64(p.t[e-1]-p.t[e]), float64(p.t[e+1]-p.t[e])
	if !finite(x) {
		return p.t[e]
	}
	return p.t[e] + int64(math.Round(min(max(x, lo), hi)))
}

// flankLine is a straight line through the readings beside an extreme, which is at
// time 0 and not one of them.
type flankLine struct {
	slope, at0 float64
	ok         bool
}

func (p piece) flank(e, dir, end int) flankLine {
	reach := flankShare * math.Abs(p.v[end]-p.v[e])
	var n, sx, sy, sxx, sxy float64
	for i := e + dir; (end-i)*dir > 0; i += dir { // the far extreme may lie beyond its turn
		x, y := float64(p.t[i]-p.t[e]), p.v[i]-p.v[e]
		if n >= flankReadings && (math.Abs(y) > reach || math.Abs(x) > flankMS) {
			break
		}
		n++
		sx += x
		sy += y
		sxx += x * x
		sxy += x * y
	}
	d := n*sxx - sx*sx
	if n < 2 || d == 0 {
		return flankLine{}
	}
	slope := (n*sxy - sx*sy) / d
	return flankLine{slope, (sy - slope*sx) / n, true}
}
