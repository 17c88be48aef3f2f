package engine

import "math"

// MergeSegments joins neighbouring segments into longer ones of their mean demand,
// as long as every one of them lies within a tolerance of that mean, at the AtPa of
// the first. It goes through them once, from the beginning, and joins what it can
// (so the same segments are always cut alike). The mean is over time, of the demand
// as a function of the pressure: at any steady pressure the air is the same as before.
//
// A tolerance of 0 joins what is equal. The result shares nothing with the segments
// given.
func MergeSegments(segments []Segment, toleranceM3S float64) []Segment {
	var merged []Segment
	var run joined
	for _, s := range segments {
		if longer, fits := run.with(s, toleranceM3S); fits {
			run = longer
			continue
		}
		merged = append(merged, run.segment())
		run, _ = joined{}.with(s, toleranceM3S)
	}
	if run.seconds > 0 {
		merged = append(merged, run.segment())
	}
	return merged
}

// joined is a run of segments as sums over its time.
type joined struct {
	first          Segment
	seconds        float64
	m3, m3PerPa    float64 // at the first's AtPa; more for each pascal above
	leastM3S, most float64
	several        bool
}

// with is the run and one segment more, and whether all of it still fits together.
func (j joined) with(s Segment, toleranceM3S float64) (joined, bool) {
	if j.seconds == 0 {
		j = joined{first: s, leastM3S: math.Inf(1), most: math.Inf(-1)}
	} else {
		j.several = true
	}
	at := s.DemandM3S + s.FollowM3SPerPa*(j.first.AtPa-s.AtPa)
	j.seconds += s.Seconds
	j.m3 += at * s.Seconds
	j.m3PerPa += s.FollowM3SPerPa * s.Seconds
	j.leastM3S, j.most = min(j.leastM3S, at), max(j.most, at)
	mean := j.m3 / j.seconds
	toleranceM3S += 1e-12 * math.Abs(mean) // what is equal stays so through the mean's rounding
	return j, !j.several || j.most-mean <= toleranceM3S && mean-j.leastM3S <= toleranceM3S
}

func (j joined) segment() Segment {
	if !j.several {
		return j.first
	}
	return Segment{j.seconds, j.m3 / j.seconds, j.first.AtPa, j.m3PerPa / j.seconds}
}
