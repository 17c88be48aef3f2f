package analysis

import "loadscribe/agent/gum"

const (
	// Leaks are taken for even within four hours, in which many load cycles lie.
	driftMS = 4 * 3600 * 1000
	// From this on the method says by how much it was brought to all quiet hours.
	driftSaid = 0.05
)

// drift is what all quiet minutes flow, for each pascal, over what the hours flow
// in which the falls lie. Long falls are seen where little leaks: without this a
// bleed-down of weeks in which leaks grow, or of nights of which some have a
// user, tells the leaks of the best of them. Both are by the same balance, so that
// an error of its flow or volume goes out of the ratio.
func (b *airBalance) drift(h *quietHours, falls []bleed, outsidePa float64) gum.Value {
	bled := map[int]bool{}
	for _, f := range falls {
		for _, i := range f.minutes {
			bled[i] = true
		}
	}
	var near gum.Value
	var weight float64
	for _, piece := range b.pieces(h) {
		n := 0
		for _, i := range piece {
			if bled[i] {
				n++
			}
		}
		if n > 0 && len(piece) >= leastBaseMinutes {
			near = near.Plus(b.levelIn(piece, outsidePa).Scaled(float64(n)))
			weight += float64(n)
		}
	}
	all := b.levelIn(h.minutes(), outsidePa)
	if weight == 0 || near.V <= float64(coverageFactor*near.U()) || all.V <= float64(coverageFactor*all.U()) {
		return gum.Exact(1)
	}
	return all.Over(near.Scaled(1 / weight))
}

// pieces are the quiet minutes by fours of hours.
func (b *airBalance) pieces(h *quietHours) (all [][]int) {
	last := int64(-1)
	for _, i := range h.minutes() {
		if at := b.minutes[i].startMS / driftMS; at != last {
			all, last = append(all, nil), at
		}
		all[len(all)-1] = append(all[len(all)-1], i)
	}
	return all
}

// levelIn is the mean demand for each pascal of absolute pressure.
func (b *airBalance) levelIn(minutes []int, outsidePa float64) gum.Value {
	flow, _ := b.mean(minutes)
	return flow.Scaled(1 / b.meanPa(minutes, outsidePa))
}
