package engine

import "math"

// MergeSegments joins neighbouring segments into longer ones of their mean demand,
// as long as every one of them lies within a tolerance of that mean, both at the AtPa
// of the first and at no pressure (and so between). It goes through them once, from the beginning, and joins what it can
// (so the same segments are always cut alike). The mean is over time, of the demand
// as a function of the pressure: at any steady pressure the air is the same as before.
//
// A tolerance of 0 joins what is equal. The result shares nothing with the segments
// given.
func MergeSegments(segments []Segment, toleranceM3S float64) []Segment {
	if len(segments) == 0 {
		return nil
	}
	merged := make([]Segment, 0, len(segments))
	run := joinedOf(&segments[0])
	for i := 1; i < len(segments); i++ {
		if s := &segments[i]; !run.join(s, toleranceM3S) {
			merged = append(merged, run.segment())
			run = joinedOf(s)
		}
	}
	return append(merged, run.segment())
}

// joined is a run of segments as sums over its time.
type joined struct {
	first       *Segment
	several     bool
	seconds     float64
	m3, m3PerPa float64  // at the first's AtPa; more for each pascal above
	at, without reachM3S // there, and at no pressure
}

// reachM3S is between which flows segments lie.
type reachM3S struct{ least, most float64 }

// within is the reach with one flow more, and whether all lies within a tolerance of a
// mean; what is equal does, through the mean's rounding.
func (r reachM3S) within(m3s, mean, tolerance float64) (reachM3S, bool) {
	r = reachM3S{min(r.least, m3s), max(r.most, m3s)}
	tolerance += 1e-12 * math.Abs(mean)
	return r, r.most-mean <= tolerance && mean-r.least <= tolerance
}

func joinedOf(s *Segment) joined {
	without := s.DemandM3S - s.FollowM3SPerPa*s.AtPa
	return joined{first: s, seconds: s.Seconds, m3: s.DemandM3S * s.Seconds, m3PerPa: s.FollowM3SPerPa * s.Seconds,
		at: reachM3S{s.DemandM3S, s.DemandM3S}, without: reachM3S{without, without}}
}

// join takes one segment more, if all of it still fits together.
func (j *joined) join(s *Segment, toleranceM3S float64) bool {
	atPa := j.first.AtPa
	m3s := s.DemandM3S + s.FollowM3SPerPa*(atPa-s.AtPa)
	seconds, m3, m3PerPa := j.seconds+s.Seconds, j.m3+m3s*s.Seconds, j.m3PerPa+s.FollowM3SPerPa*s.Seconds
	at, fits := j.at.within(m3s, m3/seconds, toleranceM3S)
	if !fits {
		return false
	}
	without, fits := j.without.within(m3s-s.FollowM3SPerPa*atPa, (m3-m3PerPa*atPa)/seconds, toleranceM3S)
	if !fits {
		return false
	}
	*j = joined{j.first, true, seconds, m3, m3PerPa, at, without}
	return true
}

func (j *joined) segment() Segment {
	if !j.several {
		return *j.first
	}
	return Segment{j.seconds, j.m3 / j.seconds, j.first.AtPa, j.m3PerPa / j.seconds}
}
