package simulator

import (
	"fmt"
	"math"
	"time"
)

// lowestMinute is the lowest gauge pressure of a minute of the world's time at the
// receiver and the header.
type lowestMinute [NumPlaces]float64

// watchLowest keeps the step's pressures.
func (t *Truth) watchLowest(receiver, header float64) {
	minute := int(t.world.now / minuteAt)
	for len(t.lowest) <= minute {
		t.lowest = append(t.lowest, lowestMinute{AtReceiver: math.Inf(1), AtHeader: math.Inf(1)})
	}
	l := &t.lowest[minute]
	l[AtReceiver], l[AtHeader] = min(l[AtReceiver], receiver), min(l[AtHeader], header)
}

// LowestPa is the lowest gauge pressure at the receiver or the header in [from, to),
// cut to the span: of the minutes since the start that lie in it in whole or in part.
func (t *Truth) LowestPa(at Place, from, to time.Time) (float64, error) {
	if at != AtReceiver && at != AtHeader {
		return 0, fmt.Errorf("%w: the lowest pressure is kept of the receiver and the header alone", ErrScenario)
	}
	first := int(t.clamp(from) / minuteAt)
	end := min(int((t.clamp(to)+minuteAt-1)/minuteAt), len(t.lowest))
	if first >= end {
		return 0, fmt.Errorf("%w: the plant did not run from %s to %s", ErrScenario, from.Format(time.RFC3339), to.Format(time.RFC3339))
	}
	least := math.Inf(1)
	for _, l := range t.lowest[first:end] {
		least = min(least, l[at])
	}
	return least, nil
}
