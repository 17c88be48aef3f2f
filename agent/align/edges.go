package align

import (
	"math"
	"slices"
)

const (
	leastOfRange  = 0.2    // of a series' range, a step that counts
	tailShare     = 0.005  // of the values at each end that do not make its range
	noisesOfStep  = 5      // standard deviations of the differences below which a step is noise
	quietTenth    = 0.1257 // of a normal standard deviation: a tenth of the values lies below
	runShare      = 0.25   // of the least step, by which a run of changes goes on
	coreShare     = 0.5    // of a run's fastest change, what its moment is taken of
	stepSpanMS    = 1000   // over which a change is looked at
	gapPeriods    = 3      // more than so many periods without a reading is a gap
	madToSigma    = 1.4826
	leastSwing    = 0.5  // of the swings that are usual, a swing that counts
	usualSwing    = 0.75 // the quantile that is called usual
	noisesOfSwing = 6
	flankShare    = 0.3    // of a swing, how much of it stands for the slope beside its end
	flankMS       = 20_000 // and for how long at most, where that is three readings
	flankReadings = 3
)

// Edges returns the transitions of a series in time order: steps, or with
// Options.Turns turning points. Times are Unix milliseconds, values NaN where
// there is none. Nothing is made of a gap: a change across more than three periods,
// a value that is missing or a clock that went back has no moment.
//
// A step is a run of changes of one direction; its moment is the centre of its
// fastest part, so that the slow fall of power while a sump blows down does not
// delay it. A turn is where the lines along the two flanks cross.
func Edges(times []int64, values []float64, o Options) []Edge {
	n := min(len(times), len(values))
	pieces, periodMS := piecesOf(times[:n], values[:n])
	if len(pieces) == 0 {
		return nil
	}
	least := o.LeastChange
	var edges []Edge
	if o.Turns {
		if least <= 0 {
			least = learnSwing(pieces)
		}
		for _, p := range pieces {
			edges = p.turns(edges, least)
		}
		return edges
	}
	if least <= 0 {
		least = learnStep(pieces)
	}
	span := max(1, int(math.Round(stepSpanMS/periodMS)))
	for _, p := range pieces {
		edges = p.steps(edges, least, span)
	}
	return edges
}

// piece is a stretch of a series without a gap.
type piece struct {
	t []int64
	v []float64
}

func piecesOf(times []int64, values []float64) (pieces []piece, periodMS float64) {
	var between []float64
	for i := 1; i < len(times); i++ {
		if d := times[i] - times[i-1]; d > 0 {
			between = append(between, float64(d))
		}
	}
	if len(between) == 0 {
		return nil, 0
	}
	periodMS = median(between)
	begin := 0
	cut := func(end int) {
		if end-begin >= 2 {
			pieces = append(pieces, piece{times[begin:end], values[begin:end]})
		}
	}
	for i := range times {
		switch {
		case !finite(values[i]):
			cut(i)
			begin = i + 1
		case i > begin && (times[i] <= times[i-1] || float64(times[i]-times[i-1]) > gapPeriods*periodMS):
			cut(i)
			begin = i
		}
	}
	cut(len(times))
	return pieces, periodMS
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

// learnStep is the least step that counts in a series: a fifth of its range, and
// nothing that its noise would make.
func learnStep(pieces []piece) float64 {
	var all, changes []float64
	for _, p := range pieces {
		all = append(all, p.v...)
		for i := 1; i < len(p.v); i++ {
			changes = append(changes, math.Abs(p.v[i]-p.v[i-1]))
		}
	}
	slices.Sort(all)
	tail := int(tailShare * float64(len(all)))
	span := all[len(all)-1-tail] - all[tail]
	if span == 0 { // seldom anywhere else, a bit say
		span = all[len(all)-1] - all[0]
	}
	// The smallest tenth: where a machine cycles at the pace of the readings, most
	// of the others are steps.
	slices.Sort(changes)
	noise := changes[len(changes)/10] / quietTenth
	return max(leastOfRange*span, noisesOfStep*noise)
}

// steps appends the piece's steps of at least this size, looking at the changes
// over span readings.
func (p piece) steps(edges []Edge, least float64, span int) []Edge {
	if least <= 0 { // it never changes
		return edges
	}
	change := func(k int) float64 { return p.v[k+span] - p.v[k] }
	floor := runShare * least
	for k := 0; k+span < len(p.v); {
		d := change(k)
		if math.Abs(d) < floor {
			k++
			continue
		}
		end, most := k, 0.0
		for ; end+span < len(p.v); end++ {
			if next := change(end); next*d <= 0 || math.Abs(next) < floor {
				break
			} else {
				most = max(most, math.Abs(next))
			}
		}
		if size := math.Abs(p.v[end-1+span] - p.v[k]); size >= least {
			edges = append(edges, Edge{p.centre(k, end, span, coreShare*most), d > 0, size})
		}
		k = end
	}
	return edges
}

// centre is the moment of the changes from k to before end that are at least core.
func (p piece) centre(k, end, span int, core float64) int64 {
	var sum, moment float64
	for i := k; i < end; i++ {
		if d := math.Abs(p.v[i+span] - p.v[i]); d >= core {
			middle := float64(p.t[i]-p.t[k]+p.t[i+span]-p.t[k]) / 2
			sum += d
			moment += d * middle
		}
	}
	return p.t[k] + int64(math.Round(moment/sum))
}

// median of values, which it puts in order; 0 of none.
func median(values []float64) float64 {
	if len(values) == 0 {
		return 0
	}
	slices.Sort(values)
	half := len(values) / 2
	if len(values)%2 == 1 {
		return values[half]
	}
	return (values[half-1] + values[half]) / 2
}
