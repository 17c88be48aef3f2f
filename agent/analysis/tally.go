package analysis

import (
	"encoding/binary"
	"math"
)

// tally is what has added up since the store began: the part of the deltas
// that metrics count.
type tally struct {
	stateMS       [numStates]int64
	starts, loads int64
	power         sum
	counters      []int64 // differences, gaps bridged
	analog        []sum
	running       sum // of power, while the motor was on
	part          sum // of the load fraction, at part load
	// undeliveredMS of delivering time went by before the minimum-pressure valve
	// opened, of loads that are over.
	undeliveredMS int64
	now           tallyState
}

// tallyState is the state that the last transition led to. The zero value knows none.
type tallyState struct {
	state  State
	wallMS int64
	owedMS int64 // of a load: what goes by until its air leaves
}

func (t *tally) add(d *delta) {
	for i := range t.stateMS {
		t.stateMS[i] += d.stateMS[i]
	}
	t.starts += int64(len(d.starts))
	t.loads += d.loads
	for i := range d.power.all {
		t.power.merge(d.power.all[i])
		if State(i).Running() {
			t.running.merge(d.power.all[i])
		}
	}
	t.part.merge(d.fraction.all[PartLoad])
	t.addTransitions(d)
	for len(t.counters) < len(d.counters) {
		t.counters = append(t.counters, 0)
	}
	for i := range d.counters {
		t.counters[i] += d.counters[i].diff
		for _, g := range d.counters[i].gaps {
			t.counters[i] += g.diff
		}
	}
	for len(t.analog) < len(d.analog) {
		t.analog = append(t.analog, sum{})
	}
	for i := range d.analog {
		t.analog[i].merge(d.analog[i].sum)
	}
}

// addTransitions takes what each load filled the sump with, as airResult does, but with
// the assumed delay and time constant: what is learnt later must not make a total fall.
func (t *tally) addTransitions(d *delta) {
	gaps := d.gaps
	for i := range d.transitions {
		to, end := &d.transitions[i], d.transitions[i].wall
		if to.fresh && len(gaps) > 0 && gaps[0].to == to.wall {
			end = gaps[0].from
			gaps = gaps[1:]
		}
		load := !to.fresh && to.state.delivering() && !t.now.state.delivering()
		if to.state.delivering() && !to.fresh && !load {
			t.now.state = to.state // from loaded to part load: the same load goes on
			continue
		}
		t.undeliveredMS += t.now.filledMS(end)
		next := tallyState{state: to.state, wallMS: to.wall}
		if load {
			before := stretch{from: t.now.wallMS, to: to.wall, state: t.now.state}
			share := fillShare(before, stretch{from: to.wall}, blowDownMiddleS)
			next.owedMS = int64(math.Round(float64(1000*deliveryDelayS) * share))
		}
		t.now = next
	}
}

// filledMS is how much of the time until a moment a load took to fill the sump.
func (n *tallyState) filledMS(untilMS int64) int64 { return max(0, min(n.owedMS, untilMS-n.wallMS)) }

// clone copies t so that the copy can be added to.
func (t *tally) clone() tally {
	c := *t
	c.counters = append([]int64(nil), t.counters...)
	c.analog = append([]sum(nil), t.analog...)
	return c
}

func (t *tally) encode(b []byte) []byte {
	for _, ms := range t.stateMS {
		b = binary.AppendUvarint(b, uint64(ms))
	}
	b = binary.AppendUvarint(b, uint64(t.starts))
	b = binary.AppendUvarint(b, uint64(t.loads))
	b = encodeSum(b, t.power)
	b = appendCount(b, len(t.counters))
	for _, n := range t.counters {
		b = binary.AppendUvarint(b, uint64(n))
	}
	b = appendCount(b, len(t.analog))
	for _, s := range t.analog {
		b = encodeSum(b, s)
	}
	b = encodeSum(encodeSum(b, t.running), t.part)
	b = binary.AppendUvarint(b, uint64(t.undeliveredMS))
	b = append(b, byte(t.now.state))
	b = binary.AppendUvarint(b, uint64(t.now.wallMS))
	return binary.AppendUvarint(b, uint64(t.now.owedMS))
}

// readTally reads what encode wrote in a state of a version from oldStateVersion on.
func readTally(r *reader, version byte) tally {
	var t tally
	for i := range t.stateMS {
		t.stateMS[i] = r.atLeastZero()
	}
	t.starts, t.loads = r.atLeastZero(), r.atLeastZero()
	t.power = decodeSum(r)
	for n := r.count(1); n > 0; n-- {
		t.counters = append(t.counters, r.atLeastZero())
	}
	for n := r.count(1); n > 0; n-- {
		t.analog = append(t.analog, decodeSum(r))
	}
	if version == oldStateVersion {
		// It had no more. The totals go on from there: all power counted as power
		// while running, and each load took the whole delay.
		t.running, t.undeliveredMS = t.power, t.loads*int64(1000*deliveryDelayS)
		return t
	}
	t.running, t.part = decodeSum(r), decodeSum(r)
	t.undeliveredMS = r.atLeastZero()
	t.now = tallyState{state: State(r.byteBelow(byte(numStates))), wallMS: r.atLeastZero(), owedMS: r.atLeastZero()}
	return t
}
