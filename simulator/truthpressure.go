package simulator

import "time"

// Place is where the truth knows the pressure.
type Place int

// The places, in the order the air takes. The header is the last volume.
const (
	AtDischarge Place = iota // of the machine whose transition it is
	AtReceiver
	AtHeader
	NumPlaces
)

// lowSpan is a time below the users' minimum pressure, in steps; to is -1 while
// it lasts.
type lowSpan struct{ from, to int64 }

// LowSpan is an unbroken time in which a place lay below the users' minimum
// pressure.
type LowSpan struct{ From, To time.Time }

// pressures are the gauge pressures that machine i's transition notes.
func (w *World) pressures(i int) (pa [NumPlaces]float64) {
	pa[AtDischarge] = w.machines[i].dischargePa
	pa[AtReceiver] = w.vessels[w.receiver].pressurePa()
	pa[AtHeader] = w.vessels[len(w.vessels)-1].pressurePa()
	for k := range pa {
		pa[k] -= w.scenario.BarometerPa
	}
	return pa
}

// watchPressure counts the step's pressures.
func (w *World) watchPressure(last *vessel) {
	receiver := w.vessels[w.receiver].pressurePa() - w.scenario.BarometerPa
	header := last.pressurePa() - w.scenario.BarometerPa
	w.plant.ReceiverPaS += receiver * stepS
	w.plant.HeaderPaS += header * stepS
	if receiver < w.scenario.MinimumPressurePa {
		w.plant.lowSteps++
	}
	w.truth.watchLow(AtReceiver, receiver < w.scenario.MinimumPressurePa)
	w.truth.watchLow(AtHeader, header < w.scenario.MinimumPressurePa)
}

// watchLow begins and ends the times below the minimum; the step that is being
// made counts as a whole.
func (t *Truth) watchLow(at Place, low bool) {
	list := t.low[at]
	n := len(list)
	switch open := n > 0 && list[n-1].to < 0; {
	case low && !open:
		t.low[at] = append(list, lowSpan{t.world.now, -1})
	case !low && open:
		list[n-1].to = t.world.now
	}
}

// LowSpans lists the times within [from, to) in which the receiver or the header
// lay below the users' minimum pressure, cut to that window.
func (t *Truth) LowSpans(at Place, from, to time.Time) []LowSpan {
	a, b := t.clamp(from), t.clamp(to)
	var all []LowSpan
	for _, l := range t.low[at] {
		if l.to < 0 {
			l.to = t.world.now
		}
		if l.from, l.to = max(l.from, a), min(l.to, b); l.from < l.to {
			all = append(all, LowSpan{t.time(l.from), t.time(l.to)})
		}
	}
	return all
}
