package align

import "math"

const (
	zoomFloorMS   = 6000 // half the width down to which counting decides; see zoom
	spreadsOfPair = 4    // scaled median deviations within which two transitions are one
	spreadsOfFit  = 3.5  // and beyond which a pair does not count for the line
	periodsOfPair = 0.5  // a pair may always lie so far apart, known to a period as it is
	leastPairMS   = 100
	fitRounds     = 6
	leastOfKind   = 4 // rises and falls each, for their difference to be told
)

// model is the reference's time less the other's at the other's time x: a + b·x,
// and for rises h more, for falls h less.
type model struct{ a, b, h float64 }

// at is the reference's time for the other's.
func (m model) at(x float64) float64 { return x + m.a + m.b*x }

// back is the other's time for the reference's.
func (m model) back(y float64) float64 { return (y - m.a) / (1 + m.b) }

// sign of the direction: h counts for rises, and against falls.
func sign(dir int) float64 { return float64(2*dir - 1) }

// pair is two transitions that are taken for one: the other's time and by how much
// the reference's is later.
type pair struct {
	x, r float64
	dir  int
}

// fit is a model with the pairs that bear it.
type fit struct {
	model
	pairs []pair  // those that meet within tolMS
	tolMS float64 // what counts as meeting
	sigma float64 // of the residuals of those used
	seB   float64 // standard error of b
	seH   float64
	meanX float64
	used  [2]int
}

// refine follows a peak of the vote to the line that the transitions voted on lie
// on.
func refine(ref, oth list, c candidate, o Options) (*fit, bool) {
	m := zoom(ref, oth.within(c.lo, c.hi+1), c, o)
	return settle(ref, oth.within(c.lo, c.hi+1), m, zoomedMS(o), o.leastPair())
}

// follow follows a line that is known from lo to hi through the whole record, in
// windows each twice as long as the one before.
func follow(ref, oth list, f *fit, lo, hi float64, o Options) (*fit, bool) {
	ok := true
	for ok && (lo > oth.first() || hi < oth.last()) {
		half := (hi - lo) / 2
		lo, hi = lo-half, hi+half
		f, ok = settle(ref, oth.within(lo, hi+1), f.model, f.tolMS+3*f.seB*2*half, o.leastPair())
	}
	return f, ok && math.Abs(f.b) <= o.DriftPPM/1e6+3*f.seB
}

func (o Options) leastPair() float64 { return max(leastPairMS, periodsOfPair*o.PeriodMS) }

// zoomedMS is the tolerance at which zoom ends.
func zoomedMS(o Options) float64 { return max(zoomFloorMS, periodsOfBin*o.PeriodMS) }

// zoom counts meetings on ever finer grids of offset and drift around a peak. It
// ends where rises and falls may still be some seconds apart: their difference is
// found by settle.
func zoom(ref, part list, c candidate, o Options) model {
	const reach = 2 // grid steps either side
	m := c.model
	middle, half := (c.lo+c.hi)/2, max(1, (c.hi-c.lo)/2)
	for tol := 1.5 * c.binMS; ; tol /= 2 {
		tol = max(tol, zoomedMS(o))
		best, most, least := m, -1, math.Inf(1)
		for i := -reach; i <= reach; i++ {
			for j := -reach; j <= reach; j++ {
				try := m
				turn := float64(j) * tol / 2 / half
				try.b += turn
				try.a += float64(i)*tol/2 - turn*middle
				met, off := tally(ref, part, try, tol)
				if met > most || met == most && off < least {
					best, most, least = try, met, off
				}
			}
		}
		m = best
		if tol <= zoomedMS(o) {
			return m
		}
	}
}

// tally is how many of the other's transitions have one of the reference's within
// tol, and the sum of how far they are apart.
func tally(ref, oth list, m model, tol float64) (met int, off float64) {
	for dir := range oth.of {
		j, y := 0, ref.of[dir]
		for _, x := range oth.of[dir] {
			at := m.at(x)
			for j+1 < len(y) && math.Abs(y[j+1]-at) <= math.Abs(y[j]-at) {
				j++
			}
			if j < len(y) && math.Abs(y[j]-at) <= tol {
				met++
				off += math.Abs(y[j] - at)
			}
		}
	}
	return met, off
}

// settle pairs and fits in turn until both stay.
func settle(ref, oth list, m model, tol, floor float64) (*fit, bool) {
	f := &fit{model: m, tolMS: tol}
	for round := range fitRounds {
		f.pairs = pairs(ref, oth, f.model, f.tolMS)
		if len(f.pairs) < leastEdges {
			return nil, false
		}
		if round == 0 {
			f.byMedians()
		}
		if !f.bySquares(floor) {
			return nil, false
		}
		f.tolMS = min(f.tolMS, max(floor, spreadsOfPair*f.sigma))
	}
	f.pairs = pairs(ref, oth, f.model, f.tolMS)
	return f, len(f.pairs) >= leastEdges
}

// pairs are the transitions that are each other's nearest and within tol.
func pairs(ref, oth list, m model, tol float64) []pair {
	var all []pair
	for dir := range oth.of {
		x, y := oth.of[dir], ref.of[dir]
		h := sign(dir) * m.h
		for i, j := 0, 0; i < len(x); i++ {
			at := m.at(x[i]) + h
			for j+1 < len(y) && math.Abs(y[j+1]-at) <= math.Abs(y[j]-at) {
				j++
			}
			if j >= len(y) || math.Abs(y[j]-at) > tol {
				continue
			}
			d := math.Abs(y[j] - at)
			before := i > 0 && math.Abs(y[j]-m.at(x[i-1])-h) <= d
			after := i+1 < len(x) && math.Abs(y[j]-m.at(x[i+1])-h) < d
			if !before && !after {
				all = append(all, pair{x[i], y[j] - x[i], dir})
			}
		}
	}
	return all
}

// byMedians puts the model on the medians: the slope of pairs half the record
// apart, and each direction's own level.
func (f *fit) byMedians() {
	for range 2 {
		var slopes []float64
		var rest [2][]float64
		for dir := range rest {
			var own []pair
			for _, p := range f.pairs {
				if p.dir == dir {
					own = append(own, p)
				}
			}
			half := len(own) / 2
			for i := 0; i+half < len(own) && half > 0; i++ {
				if dx := own[i+half].x - own[i].x; dx > 0 {
					slopes = append(slopes, (own[i+half].r-own[i].r)/dx)
				}
			}
		}
		if len(slopes) >= leastEdges {
			f.b = median(slopes)
		}
		for _, p := range f.pairs {
			rest[p.dir] = append(rest[p.dir], p.r-f.b*p.x)
		}
		f.levels(len(rest[0]), len(rest[1]), median(rest[0]), median(rest[1]))
	}
}

// levels sets a and h from the two directions' levels.
func (f *fit) levels(falls, rises int, fall, rise float64) {
	switch {
	case falls >= leastOfKind && rises >= leastOfKind:
		f.a, f.h = (rise+fall)/2, (rise-fall)/2
	case rises > falls:
		f.a, f.h = rise, 0
	default:
		f.a, f.h = fall, 0
	}
}

// bySquares is least squares without the pairs that lie beyond what is usual.
func (f *fit) bySquares(floor float64) bool {
	off := make([]float64, len(f.pairs))
	for i, p := range f.pairs {
		off[i] = math.Abs(f.residual(p))
	}
	limit := max(floor, spreadsOfFit*madToSigma*median(off))
	var n [2]int
	var sx, sr [2]float64
	for _, p := range f.pairs {
		if math.Abs(f.residual(p)) <= limit {
			n[p.dir]++
			sx[p.dir] += p.x
			sr[p.dir] += p.r
		}
	}
	if n[0]+n[1] < leastEdges {
		return false
	}
	together := n[0] < leastOfKind || n[1] < leastOfKind // one level for both
	if together {
		n[0], sx[0], sr[0] = n[0]+n[1], sx[0]+sx[1], sr[0]+sr[1]
		n[1], sx[1], sr[1] = n[0], sx[0], sr[0]
	}
	var mean, level [2]float64
	for dir := range mean {
		mean[dir], level[dir] = sx[dir]/float64(n[dir]), sr[dir]/float64(n[dir])
	}
	var sxx, sxr float64
	for _, p := range f.pairs {
		if math.Abs(f.residual(p)) <= limit {
			dx := p.x - mean[p.dir]
			sxx += dx * dx
			sxr += dx * (p.r - level[p.dir])
		}
	}
	if sxx == 0 {
		return false
	}
	return f.take(sxr/sxx, sxx, mean, level, n, together, limit)
}

// take puts the line's numbers into the fit and measures what is left.
func (f *fit) take(b, sxx float64, mean, level [2]float64, n [2]int, together bool, limit float64) bool {
	var used []pair
	for _, p := range f.pairs {
		if math.Abs(f.residual(p)) <= limit {
			used = append(used, p)
		}
	}
	f.b = b
	fall, rise := level[0]-b*mean[0], level[1]-b*mean[1]
	if together {
		f.a, f.h = fall, 0
	} else {
		f.a, f.h = (rise+fall)/2, (rise-fall)/2
	}
	var squares, sum float64
	f.used = [2]int{}
	for _, p := range used {
		e := f.residual(p)
		squares += e * e
		sum += p.x
		f.used[p.dir]++
	}
	f.sigma = math.Sqrt(squares / float64(max(1, len(used)-3)))
	f.meanX = sum / float64(len(used))
	f.seB = f.sigma / math.Sqrt(sxx)
	f.seH = 0
	if !together {
		f.seH = f.sigma * math.Sqrt(1/float64(n[0])+1/float64(n[1])) / 2
	}
	return true
}

func (f *fit) residual(p pair) float64 {
	return p.r - f.a - f.b*p.x - sign(p.dir)*f.h
}
