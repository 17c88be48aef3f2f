package analysis

import (
	"math"

	"loadscribe/agent/gum"
)

// standingShare is the figure of the low time in which no machine ran.
const standingShare = "standing_below_minimum_share"

// standingLow sets for which share of the low time of some hours no machine ran: a low
// pressure is another matter where nothing made air. u is the gauge's uncertainty at the
// minimum, Pa.
func (s *sheet) standingLow(minimumPa, u float64, h *hours, inputs []string) {
	switch {
	case h.what.ms == 0:
		s.absent(h.absent, standingShare)
		return
	case !s.runningKnown():
		s.absent("when every machine of the system ran is not known", standingShare)
		return
	}
	all := s.below(h.what.bins, minimumPa)
	if all <= 0 {
		s.absent(nothingLow, standingShare)
		return
	}
	share := func(pa float64) float64 {
		if t := s.below(h.what.bins, pa); t > 0 {
			return s.below(h.what.stood, pa) / t
		}
		return math.NaN() // nothing is low by then: it says nothing of the share
	}
	v := share(minimumPa)
	half := 0.0
	for _, pa := range []float64{minimumPa - u, minimumPa + u} {
		if other := share(pa); !math.IsNaN(other) {
			half = max(half, math.Abs(other-v))
		}
	}
	// A start may lie anywhere between two readings, and in each low time the same way.
	starts := float64(s.periodS()*float64(s.lowsIn(h))) / all
	s.ratio(standingShare, "1", estimate{v, quad(half/coverageFactor, gum.Rectangular(min(1, starts)))},
		"share of the time"+s.pressureAt()+" below the site's minimum pressure in which no machine of the system ran, a pair of readings by its first one; the interval moves the limit by the instrument's uncertainty, and each start by a period",
		inWords(int64(1000*all))+" below the minimum in shift hours", inputs)
}

// lowsIn is how many times below the minimum reach into the shifts.
func (s *sheet) lowsIn(h *hours) (n int) {
	for _, l := range s.g.lows(lowAll) {
		if part := longestPart(max(l.from, s.g.from), min(l.to, s.g.to), s.g.sp.onShift); part.to > part.from {
			n++
		}
	}
	return n
}
