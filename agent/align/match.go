package align

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"time"
)

// leastEdges is how many transitions must meet: fewer would make chance too strong
// and the spread unknown.
const leastEdges = 8

// Alignment is what one logger's clock, the other's, is off against another's, the
// reference's.
type Alignment struct {
	// OffsetMS is what must be added to the other's time at AtMS, by its own clock,
	// to have the reference's: positive where the other is behind.
	OffsetMS float64
	// DriftPPM is by how much more must be added later, in millionths of the time
	// since AtMS: negative where the other's clock gains.
	DriftPPM float64
	AtMS     int64
	// Matched transitions of Of meet, no two of them further apart than ResidualMS.
	// Of counts the record that has fewer, where both were running.
	Matched, Of int
	ResidualMS  float64
	// UncertaintyMS is the half width of the 95 % interval of the corrected time at
	// the worse end of what the records have in common. What a constant delay
	// brings is not in it.
	UncertaintyMS float64
	// RisesLaterMS is how much later the other shows rises than falls, beside the
	// reference; 0 where that is not to be told.
	RisesLaterMS float64
	// Inverted is that the other's rises are the reference's falls.
	Inverted bool
}

// Correct is a time by the other's clock as the reference's clock has it.
func (a Alignment) Correct(ms int64) int64 {
	return ms + int64(math.Round(a.OffsetMS+a.DriftPPM*float64(ms-a.AtMS)/1e6))
}

// Match finds the offset and the drift between two loggers' clocks that make their
// transitions meet. The error wraps one of this package's four and says the
// numbers. Where rises meet no rises, it tries them against falls.
func Match(reference, other []Edge, o Options) (Alignment, error) {
	o = o.filled()
	if len(reference) < leastEdges || len(other) < leastEdges {
		return Alignment{}, fmt.Errorf("%w: %d in the one record and %d in the other, and %d is the least that can be judged by",
			ErrTooFew, len(reference), len(other), leastEdges)
	}
	at := middle(other)
	ref, oth := listOf(reference, at), listOf(other, at)
	a, err := matchLists(ref, oth, at, o)
	if err == nil {
		return a, nil
	}
	inverted, failed := matchLists(ref, oth.inverted(), at, o)
	if failed != nil {
		return Alignment{}, err
	}
	inverted.Inverted = true
	return inverted, nil
}

func matchLists(ref, oth list, at int64, o Options) (Alignment, error) {
	peaks := candidates(ref, oth, o)
	if len(peaks) == 0 {
		return Alignment{}, fmt.Errorf("%w: the records do not overlap within %s of their own clocks", ErrTooFew, words(o.searched()))
	}
	var best *fit
	for _, c := range peaks {
		if f, ok := refine(ref, oth, c, o); ok && (best == nil || f.score(ref) > best.score(ref)) {
			best = f
		}
	}
	ok := best != nil
	if ok {
		best, ok = follow(ref, oth, best, peaks[0].lo, peaks[0].hi, o)
	}
	if !ok {
		return Alignment{}, fmt.Errorf("%w: no offset within %s and no drift within %.0f ppm makes %d of them meet",
			ErrUnrelated, words(o.searched()), o.DriftPPM, leastEdges)
	}
	of := max(overlap(ref, oth, best.model, 0), len(best.pairs)) // groups at the ends may lie apart by the tolerance
	if err := judge(ref, oth, best, of, at, o); err != nil {
		return Alignment{}, err
	}
	return best.alignment(of, at, o), nil
}

// searched is the half width of what was looked through.
func (o Options) searched() float64 {
	lo, hi := o.reach()
	return (hi - lo) / 2
}

// list is one logger's transitions: times in ms since a common moment, in order.
type list struct {
	of  [2][]float64 // falls, rises
	all []float64
}

func listOf(edges []Edge, at int64) list {
	var l list
	for _, e := range edges {
		k, t := 0, float64(e.MS-at)
		if e.Rise {
			k = 1
		}
		l.of[k] = append(l.of[k], t)
		l.all = append(l.all, t)
	}
	slices.Sort(l.of[0])
	slices.Sort(l.of[1])
	slices.Sort(l.all)
	return l
}

func (l list) inverted() list { return list{[2][]float64{l.of[1], l.of[0]}, l.all} }

// within is the part of a list from lo to hi.
func (l list) within(lo, hi float64) list {
	return list{[2][]float64{between(l.of[0], lo, hi), between(l.of[1], lo, hi)}, between(l.all, lo, hi)}
}

func between(t []float64, lo, hi float64) []float64 {
	from, _ := slices.BinarySearch(t, lo)
	to, _ := slices.BinarySearch(t, hi)
	return t[from:max(from, to)]
}

func (l list) first() float64 { return l.all[0] }
func (l list) last() float64  { return l.all[len(l.all)-1] }

func middle(edges []Edge) int64 {
	lo, hi := edges[0].MS, edges[0].MS
	for _, e := range edges {
		lo, hi = min(lo, e.MS), max(hi, e.MS)
	}
	const minute = 60_000
	return (lo + (hi-lo)/2) / minute * minute
}

// overlap is how many transitions the record that has fewer shows while both ran,
// with the other's clock put right and then shifted.
func overlap(ref, oth list, m model, shift float64) int {
	lo := max(ref.first(), m.at(oth.first())+shift)
	hi := min(ref.last(), m.at(oth.last())+shift)
	return fewer(ref, oth, m, shift, lo, hi)
}

// fewer is the count of the record that has fewer transitions from lo to hi.
func fewer(ref, oth list, m model, shift, lo, hi float64) int {
	const edge = 1 // ms, so that the ends themselves count
	inOther := between(oth.all, m.back(lo-shift)-edge, m.back(hi-shift)+edge)
	return min(len(between(ref.all, lo-edge, hi+edge)), len(inOther))
}

// oneClock is an error where stretches of the record meet and others do not.
func oneClock(ref, oth list, f *fit, of int, at int64) error {
	const (
		stretches = 8
		least     = 12   // transitions by which a stretch is judged
		share     = 0.35 // of the usual share of meetings
	)
	lo := max(ref.first(), f.at(oth.first()))
	width := (min(ref.last(), f.at(oth.last())) - lo) / stretches
	usual := float64(len(f.pairs)) / float64(of)
	for k := range stretches {
		from, to := lo+float64(k)*width, lo+float64(k+1)*width
		n, met := fewer(ref, oth, f.model, 0, from, to), 0
		for _, p := range f.pairs {
			if y := p.x + p.r; y >= from && y < to {
				met++
			}
		}
		if n >= least && float64(met) < share*usual*float64(n) {
			return fmt.Errorf("%w: between %s and %s only %d of %d transitions meet, over all %d of %d: was the clock of one set? Align what lies before and behind apart",
				ErrClockSet, utc(at, from), utc(at, to), met, n, len(f.pairs), of)
		}
	}
	return nil
}

func utc(at int64, since float64) string {
	return time.UnixMilli(at + int64(since)).UTC().Format("2006-01-02 15:04 UTC")
}

// IsRefusal is whether an error is one of this package's reasons.
func IsRefusal(err error) bool {
	return errors.Is(err, ErrTooFew) || errors.Is(err, ErrUnrelated) || errors.Is(err, ErrAmbiguous) || errors.Is(err, ErrClockSet)
}
