package analysis

import (
	"math"
	"sort"
)

const (
	// edgeWindowMS is how far from where a level was crossed the step that took
	// the machine over is looked for. An inlet valve moves in a second or two;
	// what follows, the sump's blow-down or its filling, takes tens (common
	// practice, no source).
	edgeWindowMS = 10_000
	// edgeOnset is the share of its steepest step by which an edge has begun.
	edgeOnset = 8
)

// edge is one load or unload: the reading at which it began, and how far the
// readings go on without another.
type edge struct {
	up        bool
	from, end int
}

// centre moves the valley so that loads and unloads cross it equally late after
// they began, and time loaded is neither lengthened nor cut. Density alone puts
// the middle anywhere between the levels, and then the sump's filling is taken
// for idling or its blow-down for load. Of the places that the edges do not tell
// apart it takes the nearest to the middle.
func (b *learner) centre(v valley, stopped, lo, hi int64) valley {
	edges := b.edges(v, stopped)
	ups := 0
	for _, e := range edges {
		if e.up {
			ups++
		}
	}
	downs := len(edges) - ups
	half := (v.on - v.off + 1) / 2
	lo, hi = lo+half, hi-half
	if ups < learnVisits || downs < learnVisits || hi <= lo {
		return v
	}
	// late is by how many readings unloads cross later than loads do, all
	// together; it falls as the middle rises.
	late := func(mid int64) int {
		n := 0
		for _, e := range edges {
			if e.up {
				n -= downs * b.delay(e, mid+half)
			} else {
				n += ups * b.delay(e, mid-half)
			}
		}
		return n
	}
	first := func(past func(late int) bool) int64 {
		return lo + int64(sort.Search(int(hi-lo), func(i int) bool { return past(late(lo + int64(i))) }))
	}
	// Each edge is placed to within a reading, so that the mean of n of them is
	// known to 1/√(12n) readings and no better.
	unsure := int(float64(ups*downs) * math.Sqrt((1/float64(ups)+1/float64(downs))/12))
	from := first(func(n int) bool { return n <= unsure })
	to := max(from, first(func(n int) bool { return n < -unsure })-1)
	mid := min(max(v.off+half, from), to)
	return valley{on: mid + half, off: mid - half}
}

// delay is how many readings after it began an edge crosses a level; -1 where
// the reading before was beyond it already.
func (b *learner) delay(e edge, level int64) int {
	for i := e.from - 1; i < e.end; i++ {
		if (b.all[i].counts >= level) == e.up {
			return i - e.from
		}
	}
	return e.end - e.from
}

// edges finds the loads and unloads of the running machine, those near a start,
// a stop or a gap left out.
func (b *learner) edges(v valley, stopped int64) []edge {
	keep := b.pastStart(stopped)
	crossed := []int{0} // where the readings went over to the other level
	loaded := false
	for i := range b.all {
		n := b.all[i].counts
		was := loaded
		loaded = n >= v.on || loaded && n >= v.off
		if loaded != was {
			crossed = append(crossed, i)
		}
	}
	crossed = append(crossed, len(b.all))
	var all []edge
	for k := 1; k+1 < len(crossed); k++ {
		if e, ok := b.edgeAt(crossed[k], crossed[k-1], crossed[k+1], keep); ok {
			all = append(all, e)
		}
	}
	return all
}

// edgeAt is the edge about reading i, at which a level was crossed, with no
// other before after or from before on.
func (b *learner) edgeAt(i, after, before int, keep func(i int) bool) (edge, bool) {
	first, last := i, i
	for ms := int64(0); first > after+1 && ms <= edgeWindowMS; first-- {
		ms += b.all[first-1].dtMS
	}
	for ms := int64(0); last+1 < before && ms <= edgeWindowMS; last++ {
		ms += b.all[last].dtMS
	}
	if first < 2 {
		return edge{}, false
	}
	for k := first; k <= last; k++ {
		if b.all[k].broken || !keep(k) || !keep(k-1) {
			return edge{}, false
		}
	}
	up := b.all[i].counts > b.all[i-1].counts
	step := func(k int) int64 {
		if up {
			return b.all[k].counts - b.all[k-1].counts
		}
		return b.all[k-1].counts - b.all[k].counts
	}
	from := i
	for k := first; k <= last; k++ {
		if step(k) > step(from) {
			from = k
		}
	}
	// A reading may have fallen into the valve's stroke; a register that is
	// renewed more seldom than it is read shows it several times.
	k := from - 1
	for k > first && step(k) == 0 {
		k--
	}
	if k >= first && edgeOnset*step(k) >= step(from) {
		from = k
	}
	return edge{up: up, from: from, end: last + 1}, true
}
