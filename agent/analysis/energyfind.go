package analysis

import (
	"fmt"
	"math"

	"loadscribe/agent/gum"
	"loadscribe/agent/sitefile"
)

// findEnergy takes energy from the counter or from the draw channel, whichever
// is the surer for this window.
func (s *sheet) findEnergy(m *sitefile.Machine) {
	byCounter, hasCounter := s.counterEnergy()
	byDraw, hasDraw := s.drawEnergy()
	switch {
	case !hasCounter && !hasDraw:
		switch {
		case s.draw == nil && s.g.sp.energy < 0:
			s.energy = energyResult{absent: "no energy counter; " + s.drawAbsent}
		default:
			s.energy = energyResult{absent: "neither energy nor power was read in this window"}
		}
	case !hasDraw:
		s.energy = byCounter
	case !hasCounter:
		s.energy = byDraw
	case byCounter.total.U() <= byDraw.total.U() || byDraw.atLeast && !byCounter.atLeast:
		s.energy = byCounter
		s.energy.doubt(&byDraw, &byCounter, m.Name)
		s.energy.method += fmt.Sprintf("; power integrates to %.1f kWh over the observed time", byDraw.total.V/joulesPerKWh)
		s.energy.inputs = append(append([]string(nil), byCounter.inputs...), byDraw.inputs...)
		// Power is the finer of the two: quarter hours and states are told by it.
		s.energy.demand, s.energy.running = byDraw.cells, byDraw.running
		s.energy.fineCell, s.energy.hasUnloaded, s.energy.byCounter = byDraw.cell, byDraw.hasUnloaded, false
	default:
		s.energy = byDraw
		s.energy.doubt(&byDraw, &byCounter, m.Name)
		s.energy.method += fmt.Sprintf("; the counter rose by %.1f kWh", byCounter.total.V/joulesPerKWh)
	}
}

// doubt widens an energy where power and counter, over the same time, lie
// further apart than their uncertainties allow: one of them is wrong, and which
// is not known.
func (e *energyResult) doubt(byDraw, byCounter *energyResult, machine string) {
	if d := byDraw.seenMS - byCounter.seenMS; d > byDraw.seenMS/50 || -d > byDraw.seenMS/50 {
		return
	}
	difference := byDraw.seen.Minus(byCounter.seen)
	apart := math.Abs(difference.V)
	if apart <= 2*coverageFactor*difference.U() {
		return
	}
	e.method += fmt.Sprintf("; counter and power disagree by %.0f %%, more than their accuracies allow: look at their scales",
		100*apart/max(byDraw.seen.V, byCounter.seen.V))
	e.total = e.total.Plus(gum.New(0, rectangular(apart), disagreementInput(machine)))
	e.seen = gum.Linear(e.seen.V, gum.Term{C: 1, X: e.total})
	e.setRelative()
	e.running = e.cell.Scaled(e.running.V)
}

// drawEnergy integrates the draw channel.
func (s *sheet) drawEnergy() (energyResult, bool) {
	if s.draw == nil {
		return energyResult{}, false
	}
	total := &s.g.total.power.all
	all := drawnOf(total)
	if all.all.ms == 0 {
		return energyResult{}, false
	}
	e := energyResult{method: s.draw.method, inputs: s.draw.inputs, hasUnloaded: s.g.sp.hasStates && !s.g.sp.runOnly}
	e.cells = s.draw.cells(s.g.cells)
	for i := range e.cells {
		e.total.V += e.cells[i].joules
		e.running.V += e.cells[i].running
	}
	if s.draw.plain() {
		// To the last bit what the sums of the whole window say.
		e.total.V, e.running.V = s.draw.takes(all.all), s.draw.takes(all.running)
	}
	e.total = s.draw.spread(e.total.V, total, s.g.to)
	e.setRelative()
	e.running = e.cell.Scaled(e.running.V)
	e.seen, e.seenMS = e.total, all.all.ms
	window := s.g.to - s.g.from
	e.atLeast = s.partial || window-all.all.ms > max(s.draw.c.gapMS, int64(float64(window)*(1-wholeShare)))
	return e, true
}

// plain reports a power that is integrated as it is.
func (m *drawModel) plain() bool { return len(m.spots) == 0 && !m.scaled }

// cells is the energy of each cell.
func (m *drawModel) cells(cells []cellSum) []cellEnergy {
	all := make([]cellEnergy, len(cells))
	for i := range cells {
		c := &cells[i]
		d := drawnOf(&c.d.power)
		e := cellEnergy{from: c.from, to: c.to, ms: d.all.ms}
		e.joules, e.unloaded = m.joules(&d, c.from)
		e.running = e.joules
		if m.plain() {
			e.running = m.takes(d.running)
		}
		if c.d.slots != nil {
			e.slots = new([slotsPerCell]slotEnergy)
			for k := range c.d.slots {
				s := &c.d.slots[k]
				part := drawn{s.all, s.running, s.unloaded}
				e.slots[k].ms = s.all.ms
				e.slots[k].joules, e.slots[k].unloaded = m.joules(&part, c.from)
			}
		}
		all[i] = e
	}
	return all
}

// counterEnergy takes the counter's difference, gaps that lie wholly in the
// window bridged.
func (s *sheet) counterEnergy() (energyResult, bool) {
	ch := s.g.sp.energy
	if ch < 0 {
		return energyResult{}, false
	}
	c := &s.g.sp.chans[ch]
	n := &s.g.total.counters[c.slot]
	if n.ms == 0 {
		return energyResult{}, false
	}
	counts, bridged := n.diff, int64(0)
	e := energyResult{method: "difference of the energy counter", inputs: []string{c.input()}}
	for _, g := range n.gaps {
		if g.from < s.g.from {
			continue
		}
		counts += g.diff
		bridged += g.to - g.from
		if g.diff > 0 {
			e.bridged = append(e.bridged, bridge{g.from, g.to, float64(float64(g.diff) * c.countSI)})
		}
		if g.reset {
			e.atLeast = true
		}
	}
	if n.wraps > 0 {
		e.method += fmt.Sprintf(", %d wraps of the register allowed for", n.wraps)
	}
	if n.resets > 0 {
		e.atLeast = true
		e.method += fmt.Sprintf(", which fell back %d times (nothing counted there)", n.resets)
	}
	e.atLeast = e.atLeast || s.g.to-s.g.from-n.ms-bridged > c.gapMS
	e.total = c.rise(counts)
	e.seen, e.seenMS = c.rise(n.diff), n.ms
	e.running = e.seen
	e.setRelative()
	e.cells = c.counted(s.g.cells)
	e.byCounter, e.step = true, math.Abs(c.countSI)
	return e, true
}

// counted is what the counter rose by in each cell.
func (c *chanSpec) counted(cells []cellSum) []cellEnergy {
	all := make([]cellEnergy, len(cells))
	for i := range cells {
		d := &cells[i].d
		e := cellEnergy{from: cells[i].from, to: cells[i].to, ms: d.counterMS[c.slot]}
		e.joules = float64(float64(d.counters[c.slot]) * c.countSI)
		e.running = e.joules
		if d.slots != nil {
			e.slots = new([slotsPerCell]slotEnergy)
			for k := range d.slots {
				e.slots[k] = slotEnergy{joules: float64(float64(d.slots[k].counter) * c.countSI), ms: d.slots[k].counterMS}
			}
		}
		all[i] = e
	}
	return all
}

// rise is a counter's difference in SI. Each end may be late by a count.
func (c *chanSpec) rise(counts int64) gum.Value {
	v := float64(float64(counts) * c.countSI)
	return gum.New(v, c.accuracyU(v), accuracyInput(c)).
		Plus(gum.New(0, quad(rectangular(c.countSI), rectangular(c.countSI)), resolutionInput(c, "begin and end")))
}
