package analysis

import (
	"fmt"
	"math"
	"slices"

	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// startFigures sets starts, their rates against what the motor bears, and the
// shortest rest.
func (s *sheet) startFigures(m *sitefile.Machine) {
	sp := s.g.sp
	if !sp.hasStates {
		s.absent(sp.statesAbsent, "starts", "starts_failed", "starts_after_power_failure", "starts_per_hour_mean",
			"starts_per_hour_max", "shortest_rest")
		return
	}
	inputs := s.stateInputs()
	n := float64(len(s.g.total.starts))
	method := "observed starts; " + sp.startMethod + "; how the current ran meanwhile is out of reach without a meter's fast maximum register"
	if more, id, ok := s.counterRise(scan.StartCount); ok {
		method += fmt.Sprintf("; the controller's own counter (%s) rose by %.0f, gaps included", id, more)
	}
	s.add("starts", "1", estimate{v: n}, method, inputs)
	hidden, bounded := s.hiddenStarts()
	if bounded {
		s.atMost("starts", n+hidden)
	}
	s.add("starts_failed", "1", estimate{v: float64(s.g.total.failed)},
		fmt.Sprintf("starts after which the motor was off again within %d s without having loaded", failedStartMS/1000), inputs)
	s.restarts(inputs)
	if n == 0 && !bounded && s.g.total.observedMS() < hourMS { // "none an hour" and "at least none" would say what nobody saw
		s.absent(fmt.Sprintf("no start was seen, in %s observed: too little to tell how many an hour", inWords(s.g.total.observedMS())),
			"starts_per_hour_mean", "starts_per_hour_max")
		s.shortestRest(m, inputs)
		return
	}
	hours := estimate{float64(s.g.total.observedMS()) / hourMS, s.timeU(0) / 3600}
	s.ratio("starts_per_hour_mean", "1/h", estimate{v: n}.over(hours),
		"observed starts over observed time", "observed time", inputs)
	s.startsInAnHour(m, bounded, inputs)
	s.shortestRest(m, inputs)
}

// restarts counts the starts by themselves after the supply came back.
func (s *sheet) restarts(inputs []string) {
	n := 0
	for _, st := range s.g.total.starts {
		if st.afterLoss {
			n++
		}
	}
	s.add("starts_after_power_failure", "1", estimate{v: float64(n)}, fmt.Sprintf("starts within %d min after the machine's controller "+
		"had been silent and the running machine stood when it answered again; a broken line with a stop meanwhile looks the same",
		lossMS/60_000), inputs)
}

// startsInAnHour sets the most starts in any 60 minutes against the limit.
func (s *sheet) startsInAnHour(m *sitefile.Machine, bounded bool, inputs []string) {
	const name = "starts_per_hour_max"
	most, first := rollingMost(s.g.total.starts)
	method := "most observed starts within any 60 minutes"
	limit, basis, ok := startsLimit(m)
	switch {
	case ok && float64(most) > limit:
		method += fmt.Sprintf("; above the limit of %.0f: %s", limit, basis)
	case ok:
		method += fmt.Sprintf("; limit %.0f: %s", limit, basis)
	default:
		method += "; " + basis
	}
	s.add(name, "1/h", estimate{v: float64(most)}, method, inputs)
	if most > 0 {
		begin := s.g.total.starts[first].wall
		s.moment(name, begin, begin+hourMS)
	}
	if bounded {
		s.atMost(name, float64(rollingBound(s.g.total.starts, s.startGaps())))
	}
	if ok {
		s.limit(name, limit, basis)
	}
}

func (s *sheet) shortestRest(m *sitefile.Machine, inputs []string) {
	const name = "shortest_rest"
	rest, ended := int64(0), int64(0)
	for _, st := range s.g.total.starts {
		if st.restMS > 0 && (rest == 0 || st.restMS < rest) {
			rest, ended = st.restMS, st.wall
		}
	}
	if rest == 0 {
		s.absent("no stop followed by a start was seen without a gap between", name)
		return
	}
	method := "shortest time from a stop to the next start, both seen"
	if s.partial {
		method += "; a shorter one may lie in a gap"
	}
	least, basis, ok := restLimit(m)
	if ok {
		method += fmt.Sprintf("; %.0f s: %s", least, basis)
	}
	s.put(name, "s", estimate{float64(rest) / 1000, float64(rectangular(s.periodS()) * math.Sqrt2)}, method, inputs)
	s.moment(name, ended-rest, ended)
	if ok {
		s.limit(name, least, basis)
	}
}

// atMost says the most that a figure can be, by a counter that ran on while
// nothing was observed.
func (s *sheet) atMost(name string, v float64) {
	f := s.figures[name]
	f.AtMost = &v
	s.figures[name] = f
}

func (s *sheet) limit(name string, v float64, basis string) {
	f := s.figures[name]
	f.Limit, f.LimitBasis = &v, basis
	s.figures[name] = f
}

// startGaps are the gaps of the start counter in the window, with what it rose
// by in each.
func (s *sheet) startGaps() []counterGap {
	ch := s.g.sp.find(scan.StartCount)
	if ch < 0 {
		return nil
	}
	var all []counterGap
	for _, g := range s.g.total.counters[s.g.sp.chans[ch].slot].gaps {
		if g.to > s.g.from {
			all = append(all, g)
		}
	}
	return all
}

// hiddenStarts is the most starts that gaps can hide, by the controller's
// counter; ok is false where it does not reach over all of them.
func (s *sheet) hiddenStarts() (n float64, ok bool) {
	ch := s.g.sp.find(scan.StartCount)
	if ch < 0 {
		return 0, false
	}
	c := &s.g.sp.chans[ch]
	seen := s.g.total.counters[c.slot].ms
	for _, g := range s.startGaps() {
		if g.reset {
			return 0, false
		}
		n += float64(float64(g.diff) * c.countSI)
		seen += min(g.to, s.g.to) - max(g.from, s.g.from)
	}
	return n, s.g.to-s.g.from-seen <= 2*c.gapMS
}

// rollingBound is the most starts that any 60 minutes can hold: those observed,
// and all that the counter rose by in the gaps that touch them.
func rollingBound(starts []start, gaps []counterGap) int64 {
	var begins []int64
	for i := range starts {
		begins = append(begins, starts[i].wall)
	}
	for _, g := range gaps {
		if g.diff > 0 {
			// An hour that ends in the gap, and one that begins in it.
			begins = append(begins, g.from-hourMS+1, g.from, g.to-1)
		}
	}
	slices.Sort(begins)
	most, _ := rollingMost(starts)
	best := int64(most)
	for _, b := range begins {
		n := int64(0)
		for i := range starts {
			if w := starts[i].wall; w >= b && w < b+hourMS {
				n++
			}
		}
		for _, g := range gaps {
			if g.from < b+hourMS && g.to > b {
				n += g.diff
			}
		}
		best = max(best, n)
	}
	return best
}

// counterRise is what a counter of plain numbers rose by, gaps bridged.
func (s *sheet) counterRise(role scan.Role) (rise float64, id string, ok bool) {
	ch := s.g.sp.find(role)
	if ch < 0 {
		return 0, "", false
	}
	c := &s.g.sp.chans[ch]
	n := &s.g.total.counters[c.slot]
	counts := n.diff
	for _, g := range n.gaps {
		if g.from >= s.g.from {
			counts += g.diff
		}
	}
	return float64(counts) * c.countSI, c.id, n.ms > 0
}

// rollingMost is the largest number of starts within any 60 minutes, and the place
// of the first of them.
func rollingMost(starts []start) (most, firstOf int) {
	for i, n := range rollingCounts(starts) {
		if n > most {
			most, firstOf = n, i-n+1
		}
	}
	return most, firstOf
}

// rollingCounts is for each start how many there were in the 60 minutes that end
// with it. Within a segment monotonic time measures; across segments only the wall
// clock can, and where that ran backwards the starts are not held to be of one hour,
// so that the result stays a lower bound.
func rollingCounts(starts []start) []int {
	counts := make([]int, len(starts))
	first := 0
	for i := range starts {
		for first < i && !withinHour(&starts[first], &starts[i]) {
			first++
		}
		counts[i] = i - first + 1
	}
	return counts
}

func withinHour(a, b *start) bool {
	if a.segment == b.segment {
		return b.mono-a.mono < hourMS
	}
	d := b.wall - a.wall
	return d >= 0 && d < hourMS
}

// cycles sets the load-cycle figures.
func (s *sheet) cycles() {
	sp := s.g.sp
	names := []string{"load_cycles", "load_cycles_per_hour", "mean_load_cycle"}
	switch {
	case !sp.hasStates:
		s.absent(sp.statesAbsent, names...)
		return
	case sp.runOnly:
		s.absent("no loaded signal, load fraction or power tells loaded from unloaded", names...)
		return
	}
	inputs := s.stateInputs()
	n := float64(s.g.total.loads)
	s.add("load_cycles", "1", estimate{v: n}, "times the machine was seen to load", inputs)
	if run := s.g.total.runningMS(); run > 0 {
		hours := estimate{float64(run) / hourMS, s.timeU(s.running) / 3600}
		s.ratio("load_cycles_per_hour", "1/h", estimate{v: n}.over(hours),
			"times loaded over running time", "running time", inputs)
	} else {
		s.absent("the machine did not run in the observed time", "load_cycles_per_hour")
	}
	s.cycleLengths(inputs)
}

// cycleLengths sets the mean length of a whole load cycle, and how the lengths
// are distributed.
func (s *sheet) cycleLengths(inputs []string) {
	const name = "mean_load_cycle"
	var total int64
	var lengths []int64
	for _, c := range s.g.total.cycles {
		if c.end == endedByLoad {
			total += c.loadMS + c.unloadMS
			lengths = append(lengths, c.loadMS+c.unloadMS)
		}
	}
	if len(lengths) == 0 {
		s.absent("no load was followed by another without a stop or a gap between", name)
		return
	}
	slices.Sort(lengths)
	n := len(lengths)
	k := float64(n)
	// Inner ends cancel: of the sum only one beginning and one end are unsure.
	s.ratio(name, "s", estimate{float64(total) / 1000 / k, float64(rectangular(s.periodS()) * math.Sqrt2 / math.Sqrt(k))},
		fmt.Sprintf("mean time from one load to the next, no stop between; shortest %s, median %s, longest %s",
			inWords(lengths[0]), inWords(lengths[n/2]), inWords(lengths[n-1])), fmt.Sprintf("%d whole cycles", n), inputs)
	f := s.figures[name]
	f.Distribution = distribution(lengths)
	s.figures[name] = f
}

// distribution counts sorted lengths in ms by classes that grow with length.
func distribution(lengths []int64) []Class {
	edges := []int64{0, 10, 20, 30, 45, 60, 90, 120, 180, 300, 600, 1200, 3600, math.MaxInt64 / 1000}
	var all []Class
	i := 0
	for e := 0; e+1 < len(edges) && i < len(lengths); e++ {
		from := i
		for i < len(lengths) && lengths[i] < edges[e+1]*1000 {
			i++
		}
		if i == 0 {
			continue // nothing so short
		}
		c := Class{From: float64(edges[e]), Count: i - from}
		if e+2 < len(edges) {
			to := float64(edges[e+1])
			c.To = &to
		}
		all = append(all, c)
	}
	return all
}
