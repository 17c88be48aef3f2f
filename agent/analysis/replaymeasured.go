package analysis

import (
	"cmp"
	"math"
	"slices"

	"loadscribe/agent/gum"
)

// measured is what happened in the replayed minutes.
func (r *replayMaker) measured() ReplayMeasured {
	out := ReplayMeasured{SlotMS: slotLength(r.site)}
	n := (r.to - r.from) / out.SlotMS
	part := r.slotShares(out.SlotMS, n)
	slots := make([]float64, n)
	absent := ""
	for k, s := range r.machines {
		done := ReplayDone{StateJ: map[State]float64{}, StateS: map[State]float64{}}
		r.turnsOf(k, &done)
		switch {
		case s.energy.absent != "":
			absent = s.g.sp.name + ": " + s.energy.absent
		default:
			r.energyOf(k, &done, slots, part, out.SlotMS)
			out.Energy = out.Energy.Plus(done.Energy)
		}
		out.ByMachine = append(out.ByMachine, done)
	}
	if absent != "" {
		out.Energy, out.EnergyBasis = gum.Value{}, "not known for every machine: "+absent
	} else {
		for i := range slots {
			if part[i] == 0 {
				slots[i] = math.NaN()
			}
		}
		out.SlotJ = slots
		out.EnergyBasis = "energy of the quarter hours, and of those that are replayed in part each state's mean power over its time in the replayed minutes: " + r.machines[0].energy.method
	}
	r.pressuresSeen(&out)
	return out
}

// slotShares are the replayed shares of each slot.
func (r *replayMaker) slotShares(step, n int64) []float64 {
	part := make([]float64, n)
	for i := range r.rec.Minutes {
		part[(r.rec.Minutes[i].StartMS-r.from)/step] += float64(minuteMS) / float64(step)
	}
	for i := range part { // twelve or fifteen minutes make a whole
		if part[i] > 1-1e-9 {
			part[i] = 1
		}
	}
	return part
}

// isReplayed reports whether a wall time lies in a replayed minute.
func (r *replayMaker) isReplayed(wall int64) bool {
	if len(r.b.minutes) == 0 || wall < r.b.minutes[0].startMS || wall >= r.to {
		return false
	}
	i := (wall - r.b.minutes[0].startMS) / minuteMS
	return i < int64(len(r.replayed)) && r.replayed[i]
}

// turnsOf counts starts and loads in the replayed minutes.
func (r *replayMaker) turnsOf(k int, done *ReplayDone) {
	var starts []int64
	state := Unobserved
	if e := r.machines[k].g.entry; e != nil && e.known {
		state = e.state
	}
	for _, t := range r.machines[k].g.total.transitions {
		if !t.fresh && r.isReplayed(t.wall) {
			if !state.Running() && t.state.Running() {
				starts = append(starts, t.wall)
			}
			if !state.delivering() && t.state.delivering() {
				done.Loads++
			}
		}
		state = t.state
	}
	done.Starts = len(starts)
	slices.Sort(starts)
	first := 0
	for i := range starts {
		for starts[i]-starts[first] >= hourMS {
			first++
		}
		done.StartsHourMax = max(done.StartsHourMax, i-first+1)
	}
}

// replayedByState are the seconds of a machine's states in the replayed minutes of
// each cell.
func (r *replayMaker) replayedByState(k int) [][numStates]float64 {
	all := make([][numStates]float64, (r.to-r.from)/cellMS)
	for _, t := range r.machines[k].g.stretches() {
		r.b.over(t.from, min(t.to, r.to), func(i int, ms int64) {
			if r.replayed[i] {
				all[(r.b.minutes[i].startMS-r.from)/cellMS][t.state] += float64(ms) / 1000
			}
		})
	}
	return all
}

// energyOf is a machine's energy by state, and by slot with the others'.
func (r *replayMaker) energyOf(k int, done *ReplayDone, slots, part []float64, step int64) {
	s := r.machines[k]
	byState := r.replayedByState(k)
	shares := r.slotShares(cellMS, (r.to-r.from)/cellMS)
	var joules float64
	for i := range byState {
		for st, seconds := range byState[i] {
			if seconds > 0 {
				done.StateS[State(st)] += seconds
			}
		}
	}
	cells := s.energy.fine()
	for i := range cells {
		c := &cells[i]
		at := (cellOf(c.from) - r.from) / cellMS
		if c.from >= r.to || shares[at] == 0 {
			continue
		}
		var got float64
		if s.draw != nil && !s.energy.byCounter {
			for st, j := range r.stateJoules(s, c.from, &byState[at], shares[at]) {
				if j != 0 {
					done.StateJ[State(st)] += j
					got += j
				}
			}
		} else {
			got = float64(c.joules * shares[at])
		}
		joules += got
		if step == cellMS {
			slots[at] += got
			continue
		}
		for n := range int64(slotsPerCell) {
			slot := at*slotsPerCell + n
			if c.slots != nil {
				slots[slot] += float64(c.slots[n].joules * part[slot])
			}
		}
	}
	done.Energy = s.energy.fineCell.Scaled(joules)
}

// stateJoules is the energy by state of the replayed part of a cell.
func (r *replayMaker) stateJoules(s *sheet, from int64, seconds *[numStates]float64, share float64) (joules [numStates]float64) {
	i, ok := slices.BinarySearchFunc(s.g.cells, from, func(c cellSum, at int64) int { return int(c.from - at) })
	if !ok {
		return joules
	}
	d := &s.g.cells[i].d
	for st := range d.power {
		p := d.power[st]
		switch {
		case p.ms == 0:
		case share == 1:
			joules[st] = s.draw.ofState(State(st), p, from)
		default:
			joules[st] = float64(s.draw.ofState(State(st), p, from) / float64(p.ms) * 1000 * seconds[st])
		}
	}
	return joules
}

// watch is the window's part in the site's shifts; nil: the site has none.
func (r *replayMaker) watch() []Span {
	on := onShift(r.site)
	if on == nil {
		return nil
	}
	all := []Span{}
	for at := r.from; at < r.to; at += minuteMS {
		switch n := len(all); {
		case !on(at):
		case n > 0 && all[n-1].ToMS == at:
			all[n-1].ToMS += minuteMS
		default:
			all = append(all, Span{at, at + minuteMS})
		}
	}
	for i := range all {
		r.fromFilled(&all[i])
	}
	return all
}

// fromFilled takes from a shift's beginning the minutes in which a plant that was off
// is filled: until the stores have come up to what the users need once. Where they
// never do the plant is short, and all of it counts.
func (r *replayMaker) fromFilled(shift *Span) {
	enough := r.rec.MinimumPa
	for _, m := range r.of {
		if enough == 0 {
			enough = m.CutInPa
		}
	}
	k, _ := slices.BinarySearchFunc(r.rec.Minutes, shift.FromMS, func(m ReplayMinute, at int64) int { return cmp.Compare(m.StartMS, at) })
	for ; k < len(r.rec.Minutes) && r.rec.Minutes[k].StartMS < shift.ToMS; k++ {
		if r.rec.Minutes[k].StartPa >= enough {
			if shift.FromMS < r.rec.Minutes[k].StartMS {
				shift.FromMS, r.filled = r.rec.Minutes[k].StartMS, true
			}
			return
		}
	}
}

// watched reports whether the plant needs its pressure at a time.
func (r *replayMaker) watched(at int64) bool {
	if r.rec.Watch == nil {
		return true
	}
	i, _ := slices.BinarySearchFunc(r.rec.Watch, at, func(s Span, at int64) int {
		if s.ToMS <= at {
			return -1
		}
		return 1
	})
	return i < len(r.rec.Watch) && r.rec.Watch[i].FromMS <= at
}

// pressuresSeen sets what the stores' pressure did.
func (r *replayMaker) pressuresSeen(out *ReplayMeasured) {
	lowest := math.Inf(1)
	for i := range r.rec.Minutes {
		m := &r.rec.Minutes[i]
		if r.watched(m.StartMS) {
			lowest = min(lowest, m.StartPa, m.EndPa)
		}
	}
	if math.IsInf(lowest, 1) {
		lowest = math.NaN()
	}
	out.LowestPa, out.MeanPa = gum.Exact(lowest), gum.Exact(r.meanPa())
	if c, low := r.storesGauge(); c != nil {
		if low < lowest {
			lowest = low
		}
		out.LowestPa, out.MeanPa = c.value(lowest), c.value(r.meanPa())
	}
	for _, l := range r.tap.g.total.lows {
		if !l.running {
			r.b.over(l.from, min(l.to, r.to), func(i int, ms int64) {
				if r.replayed[i] && r.watched(r.b.minutes[i].startMS) {
					out.BelowS += float64(ms) / 1000
				}
			})
		}
	}
}

// readElsewhere reports whether the gauge of the stores was read through whole minutes
// that count and are not replayed, but for those beside replayed ones.
func (r *replayMaker) readElsewhere() bool {
	for i := range r.tap.g.total.minutes {
		m := &r.tap.g.total.minutes[i]
		if m.at >= r.from && m.at < r.to && m.seenMS >= leastMinuteMS && r.watched(m.at) &&
			!r.isReplayed(m.at-minuteMS) && !r.isReplayed(m.at) && !r.isReplayed(m.at+minuteMS) {
			return true
		}
	}
	return false
}

// storesGauge is the gauge of the stores, and its lowest reading while the pressure
// is watched; +Inf where a machine's gauge serves, in which drops show, or where it
// was read in minutes that are not replayed.
func (r *replayMaker) storesGauge() (*chanSpec, float64) {
	if c := r.tap.pressureOf(); c != nil {
		a := &r.inside.total.analog[c.slot]
		if r.rec.Watch != nil {
			a = &r.inside.shift.analogSum
		}
		if a.n == 0 || r.filled || r.readElsewhere() { // the shift's sums hold the filling too
			return c, math.Inf(1)
		}
		low, _ := c.extremes(a)
		return c, low
	}
	for _, s := range r.machines {
		if own := s.pressureOf(); own != nil && accuracyInput(own) == r.b.names.gauge {
			return own, math.Inf(1)
		}
	}
	return nil, math.Inf(1)
}
