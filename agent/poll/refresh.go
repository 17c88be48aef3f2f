package poll

import (
	"fmt"
	"math"
	"slices"

	"loadscribe/agent/scan"
)

// How the refresh of a group's registers is told from what its values do.
const (
	// refreshSpans is how many times between two changes are looked at.
	refreshSpans = 32
	// refreshOutliers is how many at each end do not count: now and then a
	// value is the same by chance, or a reading is late.
	refreshOutliers = 3
)

// refresh learns how often a group's registers change. A controller that
// renews its registers once a second makes of four readings a second three
// copies. It says something only while the changes come at an even pace, which
// a value that drifts slowly does not have; bits do not count.
type refresh struct {
	values    []int64
	mono      int64 // of values
	has       bool
	changed   int64 // monotonic ms of the last change
	hasChange bool
	spans     [refreshSpans]int64 // between changes, in ms, as a ring
	n         int
}

// see takes the group's next scan.
func (r *refresh) see(s *scan.Scan) {
	if s.Reason != scan.Good || r.has && s.MonoMS-r.mono > s.Group.GapMS() {
		r.has, r.hasChange = false, false // what happened meanwhile is not known
	}
	if s.Reason != scan.Good {
		return
	}
	if !r.has {
		r.values = append(r.values[:0], s.Values...)
		r.mono, r.has = s.MonoMS, true
		return
	}
	different := false
	for i := range s.Values {
		if v, ok := s.Get(i); ok {
			different = different || v != r.values[i] && !s.Group.Channels[i].Bit
			r.values[i] = v
		}
	}
	r.mono = s.MonoMS
	if !different {
		return
	}
	if r.hasChange {
		r.spans[r.n%refreshSpans] = s.MonoMS - r.changed
		r.n++
	}
	r.changed, r.hasChange = s.MonoMS, true
}

// everyMS is about how often the registers change, in ms, where that is more
// than a period and a half; else zero.
func (r *refresh) everyMS(periodMS int64) int64 {
	if r.n < refreshSpans {
		return 0
	}
	sorted := r.spans
	slices.Sort(sorted[:])
	mid := sorted[refreshOutliers : refreshSpans-refreshOutliers]
	low, high := mid[0], mid[len(mid)-1]
	// A reading falls up to one period behind the change it shows.
	if 10*low < 15*periodMS || high-low > 2*periodMS+periodMS/2 {
		return 0
	}
	var sum int64
	for _, v := range mid {
		sum += v
	}
	return sum / int64(len(mid))
}

// GroupStatus is how one poll group of a device goes.
type GroupStatus struct {
	// Name is the group's: its period as written.
	Name     string
	PeriodMS int64
	// RefreshMS is about how often the registers change, where they are polled
	// faster than that; 0: not faster, or not known.
	RefreshMS int64
}

// Hint says what polling faster than the registers change is worth; empty
// where it is not.
func (g GroupStatus) Hint() string {
	if g.RefreshMS == 0 || g.PeriodMS == 0 {
		return ""
	}
	of := int64(math.Round(float64(g.RefreshMS) / float64(g.PeriodMS)))
	if of < 2 {
		return ""
	}
	return fmt.Sprintf("polled each %s, changes about each %s: %d of %d readings are copies; a longer \"every\" loses nothing",
		milliseconds(g.PeriodMS), milliseconds(g.RefreshMS), of-1, of)
}

// milliseconds writes a time as people do: "250 ms", "1 s", "1.5 s".
func milliseconds(ms int64) string {
	if ms < 1000 {
		return fmt.Sprintf("%d ms", ms)
	}
	return fmt.Sprintf("%.3g s", float64(ms)/1000)
}
