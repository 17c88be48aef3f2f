package analysis

import (
	"fmt"
	"math"

	"loadscribe/agent/gum"
	"loadscribe/agent/sitefile"
)

// stretch is a time in one state, in wall time.
type stretch struct {
	from, to int64
	state    State
	seenLoad bool // it began with a load that was seen
}

// stretches are the times that a machine was observed in, by state, cut to the
// window.
func (g *gathered) stretches() []stretch {
	var all []stretch
	var now stretch
	if e := g.entry; e != nil && e.known {
		now = stretch{from: g.from, state: e.state}
	}
	end := func(at int64) {
		if at = min(at, g.to); now.state != Unobserved && at > now.from {
			now.to = at
			all = append(all, now)
		}
	}
	gaps := g.total.gaps
	for i := range g.total.transitions {
		t := &g.total.transitions[i]
		at := t.wall
		if t.fresh && len(gaps) > 0 && gaps[0].to == t.wall {
			at = gaps[0].from
			gaps = gaps[1:]
		}
		end(at)
		now = stretch{from: max(t.wall, g.from), state: t.state, seenLoad: !t.fresh && t.state.delivering() && !now.state.delivering()}
	}
	if x := g.exit; x != nil && x.hasLast {
		end(x.lastWall)
	}
	return all
}

// addMachine lays a machine's time over the minutes. tapped is whether the
// pressure is read at its outlet.
func (b *airBalance) addMachine(k int, s *sheet, tapped bool) {
	sp := s.g.sp
	b.machines = append(b.machines, sp.name)
	delay := gum.New(deliveryDelayS, rectangular(deliveryDelayLimitS), delayInput(sp.name))
	if m, ok := s.site.MachineByName(sp.name); ok {
		delay = s.settledDelay(m)
	}
	b.delay, b.delayU = append(b.delay, delay), append(b.delayU, delay.U())
	b.edgeU = append(b.edgeU, rectangular(s.periodS()))
	b.scanS = max(b.scanS, s.periodS())
	b.takeFlow(s)
	if !sp.hasStates { // its air is metered: that it delivers cannot be ruled out
		for i := range b.minutes {
			b.minutes[i].delivering = true
		}
		return
	}
	seen := make([]int64, len(b.minutes))
	shares := b.partShares(s)
	tauS, _, _ := s.blowDownSeen()
	var before stretch
	for _, t := range s.g.stretches() {
		filled := fillShare(before, t, tauS)
		before = t
		b.over(t.from, t.to, func(i int, ms int64) { seen[i] += ms })
		if sp.runOnly && t.state.Running() {
			b.over(t.from, t.to, func(i int, _ int64) { b.minutes[i].delivering = true })
			continue
		}
		if !t.state.delivering() {
			continue
		}
		from := t.from
		if t.seenLoad {
			from += int64(math.Round(float64(delay.V*filled) * 1000))
			b.moment(from, func(m *airMinute) { m.loads[k] += filled; m.edges[k]++ })
		}
		b.moment(t.to, func(m *airMinute) { m.edges[k]++ })
		b.over(from, t.to, func(i int, ms int64) {
			m, seconds := &b.minutes[i], float64(ms)/1000
			m.delivering = true
			share := shares(i, t.state)
			m.fullS[k] += float64(seconds * share)
			m.partS[k] += float64(seconds * partLimit * (1 - share))
		})
		if tapped {
			b.dropped(from, t.to, func(i int) float64 { return shares(i, t.state) })
		}
	}
	for i := range b.minutes {
		b.minutes[i].seenMS = min(b.minutes[i].seenMS, seen[i])
	}
}

// fills are the loads that were seen, each by the share of the delay that it took.
func (s *sheet) fills() (sum float64) {
	tauS, _, _ := s.blowDownSeen()
	var before stretch
	for _, t := range s.g.stretches() {
		if t.seenLoad {
			sum += fillShare(before, t, tauS)
		}
		before = t
	}
	return sum
}

// settledDelay is the delay of a load after a sump that has blown down: where the
// pressure shows it, it is that of loads after rests as they were, of which the usual
// one had left a share to fill.
func (s *sheet) settledDelay(m *sitefile.Machine) gum.Value {
	delay := s.deliveryDelay(m)
	if !s.delaySeen() {
		return delay
	}
	tauS, _, _ := s.blowDownSeen()
	var shares []float64
	var before stretch
	for _, t := range s.g.stretches() {
		// The pressure before shorter rests is not kept.
		if t.seenLoad && (before.state != Unloaded || before.to-before.from >= leastBlocks*s.g.sp.blockMS) {
			shares = append(shares, fillShare(before, t, tauS))
		}
		before = t
	}
	if len(shares) == 0 {
		return delay
	}
	return delay.Scaled(1 / max(quantileOf(shares, 0.5), leastFilled))
}

// leastFilled bounds what a delay after short rests is led on by.
const leastFilled = 0.3

// fillShare is the share of the delay that a load takes after the stretch before it:
// the sump has to be filled only as far as it had blown down, with the time constant.
func fillShare(before, load stretch, tauS float64) float64 {
	if before.state != Unloaded || before.to != load.from {
		return 1
	}
	rests := float64(load.from-before.from) / 1000 / tauS
	if rests > 8 { // less than a thousandth is left
		return 1
	}
	return -math.Expm1(-rests)
}

// takeFlow is what the machine delivers at full load, or its meter counts.
func (b *airBalance) takeFlow(s *sheet) {
	name := s.g.sp.name
	if ch := s.meteredFlow(); ch >= 0 && !b.metered {
		b.takeMeter(s, ch)
		b.method += "; that of " + name + " by its flow meter"
		b.flow = append(b.flow, gum.Exact(0))
		if m, ok := s.site.MachineByName(name); ok {
			b.full += m.RatedFlowM3S
		}
		return
	}
	b.flow = append(b.flow, s.full.v)
	b.full += s.full.v.V
	if !b.metered {
		b.method += "; " + name + ": " + s.full.method
		b.inputs = append(append(b.inputs, s.full.inputs...), b.delayInput(s))
	}
}

// delayInput names what the delay of the machine that was added last rests on.
func (b *airBalance) delayInput(s *sheet) string {
	delay := b.delay[len(b.delay)-1]
	if st := s.storage; st != nil && st.delayAbsent == "" {
		return fmt.Sprintf("delivery delay of %s, %.1f s by the pressure", s.g.sp.name, delay.V)
	}
	return fmt.Sprintf("delivery delay of %s, %.0f ± %.0f s (assumed)", s.g.sp.name, deliveryDelayS, deliveryDelayLimitS)
}

// partShares tells the share of full flow that a machine delivers in a minute.
func (b *airBalance) partShares(s *sheet) func(i int, st State) float64 {
	sp, g := s.g.sp, s.g
	if sp.fraction < 0 || !sp.control.PartLoad() {
		return func(int, State) float64 { return 1 }
	}
	c, scale := &sp.chans[sp.fraction], sp.fractionScale()
	window := 0.5 // nothing is known of it
	if f := g.total.fraction.all[PartLoad]; f.ms > 0 {
		window = c.mean(f).v * scale
	}
	known := map[int]float64{}
	for i := range g.total.minutes {
		mark := &g.total.minutes[i]
		if b.at(mark.at) != nil && mark.fraction.ms > 0 {
			known[int((mark.at-b.minutes[0].startMS)/minuteMS)] = min(1, c.mean(mark.fraction).v*scale)
		}
	}
	if name := partLoadInput(sp.name); !b.metered {
		b.inputs = append(b.inputs, name, c.input())
	}
	return func(i int, st State) float64 {
		if share, ok := known[i]; ok {
			return share
		}
		if st == Loaded {
			return 1
		}
		return window
	}
}

// dropped notes that air flowed at the minutes' ends in a stretch of wall time.
func (b *airBalance) dropped(from, to int64, share func(i int) float64) {
	b.over(from-minuteMS, to, func(i int, _ int64) {
		m := &b.minutes[i]
		f := share(i)
		if m.startMS >= from && m.startMS < to {
			m.startDrop = float64(f * f)
		}
		if end := m.startMS + minuteMS; end >= from && end < to {
			m.endDrop = float64(f * f)
		}
	})
}

// over visits the minutes of a stretch of wall time with the milliseconds of it
// that each has.
func (b *airBalance) over(from, to int64, visit func(i int, ms int64)) {
	if len(b.minutes) == 0 {
		return
	}
	first := b.minutes[0].startMS
	from, to = max(from, first), min(to, first+int64(len(b.minutes))*minuteMS)
	for at := from; at < to; {
		i := (at - first) / minuteMS
		end := min(to, first+(i+1)*minuteMS)
		visit(int(i), end-at)
		at = end
	}
}

// moment visits the minute of a moment.
func (b *airBalance) moment(at int64, visit func(*airMinute)) {
	b.over(at, at+1, func(i int, _ int64) { visit(&b.minutes[i]) })
}
