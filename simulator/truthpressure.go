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

// command is a change of a running machine's load command.
type command struct {
	step int64
	load bool
	pa   [NumPlaces]float64
}

// Command is the moment at which the controls of a running machine decided to
// load or to unload; after a start they may do both at once, which is none.
type Command struct {
	Time       time.Time
	Load       bool
	PressurePa [NumPlaces]float64 // gauge, as they saw it
}

func (t *Truth) commanded(i int, step int64) {
	m := &t.machines[i]
	m.commands = append(m.commands, command{step, t.world.machines[i].loadCommand, t.world.pressures(i)})
}

// Commands lists a machine's changes of load command in [from, to).
func (t *Truth) Commands(machine string, from, to time.Time) ([]Command, error) {
	i, err := t.index(machine)
	if err != nil {
		return nil, err
	}
	var list []Command
	for _, c := range t.machines[i].commands {
		if at := t.time(c.step); !at.Before(from) && at.Before(to) {
			list = append(list, Command{at, c.load, c.pa})
		}
	}
	return list, nil
}

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
	w.truth.watchLowest(receiver, header)
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
