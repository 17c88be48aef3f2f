package align

import (
	"cmp"
	"math"
	"slices"
)

const (
	leastBinMS    = 5000         // of the coarse vote, so that rises and falls share a peak
	periodsOfBin  = 1.5          // a transition is known to a period
	voteSpanMS    = 14 * 86400e3 // what the coarse vote looks at, of a longer record
	mostVotes     = 30_000_000   // above it, the other's transitions are thinned
	keptPeaks     = 8
	aroundBins    = 60 // bins either side of a peak that say what is usual there
	apartBins     = 3  // two peaks closer than this are one
	driftedBinsOf = 0.5
)

// candidate is a peak of the coarse vote.
type candidate struct {
	model  model
	lo, hi float64 // of the other's times, what was voted on
	binMS  float64
}

// candidates are the highest peaks of the vote, highest first: for each allowed
// drift, how many pairs of transitions would be one moment at each offset.
func candidates(ref, oth list, o Options) []candidate {
	reachLo, reachHi := o.reach()
	part := oth.within(ref.first()-reachHi, ref.last()-reachLo)
	if len(part.all) < leastEdges {
		return nil
	}
	part = densest(part)
	v := newVote(ref, part, reachLo, reachHi, o)
	return v.peaks(v.drifts(o))
}

// densest is the stretch of voteSpanMS with the most transitions.
func densest(l list) list {
	best, from := 0, 0
	for i, j := 0, 0; j < len(l.all); j++ {
		for l.all[j]-l.all[i] > voteSpanMS {
			i++
		}
		if j-i+1 > best {
			best, from = j-i+1, i
		}
	}
	lo := l.all[from]
	return l.within(lo, lo+voteSpanMS+1)
}

// vote counts pairs by offset, in stretches of the other's time that no drift
// blurs by more than half a bin.
type vote struct {
	lo, hi   float64 // of the other's times
	first    float64 // offset of the first bin
	binMS    float64
	bins     int
	stretch  float64
	counts   [][]int32 // by stretch; nil where nothing fell
	centreOf []float64 // of each stretch, since the middle of the vote
}

func newVote(ref, part list, reachLo, reachHi float64, o Options) *vote {
	v := &vote{lo: part.first(), hi: part.last(), first: reachLo}
	v.binMS = max(leastBinMS, periodsOfBin*o.PeriodMS)
	v.bins = int((reachHi-reachLo)/v.binMS) + 2
	v.stretch = driftedBinsOf * v.binMS / (o.DriftPPM / 1e6)
	v.counts = make([][]int32, int((v.hi-v.lo)/v.stretch)+1)
	v.centreOf = make([]float64, len(v.counts))
	for k := range v.centreOf {
		v.centreOf[k] = v.lo + float64((float64(k)+0.5)*v.stretch) - v.middle()
	}
	step := thinning(ref, part, reachLo, reachHi)
	for dir := range part.of {
		eachNear(ref.of[dir], part.of[dir], step, reachLo, reachHi, func(x, d float64) {
			k := int((x - v.lo) / v.stretch)
			if v.counts[k] == nil {
				v.counts[k] = make([]int32, v.bins)
			}
			v.counts[k][int((d-reachLo)/v.binMS)]++
		})
	}
	return v
}

func (v *vote) middle() float64 { return (v.lo + v.hi) / 2 }

// thinning is every how many of the other's transitions may vote.
func thinning(ref, oth list, lo, hi float64) int {
	pairs := 0
	for dir := range oth.of {
		from, to := 0, 0
		for _, x := range oth.of[dir] {
			for from < len(ref.of[dir]) && ref.of[dir][from] < x+lo {
				from++
			}
			for to < len(ref.of[dir]) && ref.of[dir][to] <= x+hi {
				to++
			}
			pairs += to - from
		}
	}
	return pairs/mostVotes + 1
}

// eachNear calls fn with each step-th x of the other's and every difference of the
// reference's times to it from lo to hi.
func eachNear(ref, oth []float64, step int, lo, hi float64, fn func(x, d float64)) {
	from := 0
	for i := 0; i < len(oth); i += step {
		x := oth[i]
		for from < len(ref) && ref[from]-x < lo {
			from++
		}
		for j := from; j < len(ref) && ref[j]-x <= hi; j++ {
			fn(x, ref[j]-x)
		}
	}
}

// drifts are those to be tried: so close that none lies further than half a bin
// from one of them at the ends.
func (v *vote) drifts(o Options) []float64 {
	most := o.DriftPPM / 1e6
	n := int(math.Ceil(most * (v.hi - v.lo) / v.binMS))
	all := make([]float64, 0, 2*n+1)
	for k := -n; k <= n; k++ {
		all = append(all, most*float64(k)/float64(max(n, 1)))
	}
	return all
}

// peaks are the highest bins over all drifts.
func (v *vote) peaks(drifts []float64) []candidate {
	height, drift := make([]float64, v.bins), make([]float64, v.bins)
	sums := make([]int32, v.bins+1) // of a bin and the next
	total := make([]int32, v.bins+1)
	for _, b := range drifts {
		v.along(b, total)
		for j := range sums[:v.bins] {
			sums[j] = total[j] + total[j+1]
		}
		for j, h := range contrast(sums[:v.bins]) {
			if h > height[j] {
				height[j], drift[j] = h, b
			}
		}
	}
	order := make([]int, 0, v.bins)
	for j, h := range height {
		if h > 0 {
			order = append(order, j)
		}
	}
	slices.SortStableFunc(order, func(i, j int) int { return cmp.Compare(height[j], height[i]) })
	var kept []candidate
	var at []int
	for _, j := range order {
		if len(kept) == keptPeaks {
			break
		}
		if slices.ContainsFunc(at, func(k int) bool { return max(j-k, k-j) < apartBins }) {
			continue
		}
		at = append(at, j)
		offset := v.first + float64(j+1)*v.binMS
		m := model{a: offset - drift[j]*v.middle(), b: drift[j]}
		kept = append(kept, candidate{m, v.lo, v.hi, v.binMS})
	}
	return kept
}

// along sums the stretches' counts as the drift b moves them.
func (v *vote) along(b float64, total []int32) {
	clear(total)
	for k, counts := range v.counts {
		if counts == nil {
			continue
		}
		move := int(math.Round(b * v.centreOf[k] / v.binMS))
		from, to := max(0, -move), min(v.bins, v.bins-move)
		for j := from; j < to; j++ {
			total[j] += counts[j+move]
		}
	}
}

// contrast is how far each bin stands over the mean of those around it, in
// standard deviations of a count.
func contrast(counts []int32) []float64 {
	sum := make([]int64, len(counts)+1)
	for j, n := range counts {
		sum[j+1] = sum[j] + int64(n)
	}
	high := make([]float64, len(counts))
	for j, n := range counts {
		lo, hi := max(0, j-aroundBins), min(len(counts), j+aroundBins+1)
		nearLo, nearHi := max(0, j-apartBins), min(len(counts), j+apartBins+1)
		around := sum[hi] - sum[lo] - (sum[nearHi] - sum[nearLo])
		of := max(1, (hi-lo)-(nearHi-nearLo))
		usual := float64(around) / float64(of)
		high[j] = (float64(n) - usual) / math.Sqrt(usual+1)
	}
	return high
}
