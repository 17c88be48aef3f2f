package analysis

import "loadscribe/agent/scan"

const (
	hourMS = 3_600_000
	// cellMS is the length of an interval: 15 minutes of UTC time.
	cellMS = 900_000
)

// cellOf is the start of the cell that holds a wall time.
func cellOf(wallMS int64) int64 {
	q := wallMS / cellMS
	if wallMS%cellMS < 0 {
		q--
	}
	return q * cellMS
}

// route says which values of a group a subject takes.
type route struct {
	pairs  []routed
	health []int // channels of delta.health among them
	master bool  // the group holds the master channel
}

type routed struct {
	in int // place in the scan
	ch int // place in spec.chans
	// Places in spec.watches; -1 where there is none.
	absent, impossible, stuck int
}

// routeFor finds the subject's channels in a group. A channel whose raw kind
// has changed since is left out: its counts mean something else.
func (sp *spec) routeFor(g *scan.Group) route {
	var r route
	for ch := range sp.chans {
		c := &sp.chans[ch]
		if c.device != g.Device {
			continue
		}
		if in := g.Index(c.name); in >= 0 && g.Channels[in].Kind == c.kind {
			p := routed{ch: ch, absent: -1, impossible: -1, stuck: -1}
			if ch < len(sp.watchOf) { // a spec that only sums has no watches
				p = sp.watchOf[ch]
			}
			p.in = in
			r.pairs = append(r.pairs, p)
			if ch < len(sp.healthAt) && sp.healthAt[ch] >= 0 {
				r.health = append(r.health, ch)
			}
			if ch == sp.master {
				r.master = true
			}
		}
	}
	return r
}

// pairs are the pairs of one scan that more than their own channel is asked of.
type pairs struct {
	power, fraction, pressure, sump, flow pair
	lead                                  bool // the reading that reckoned power is made at is among them
}

// step folds one scan: the fold's only formula. All arithmetic is in integers.
func (sp *spec) step(c *carry, d *delta, s *scan.Scan, r *route) {
	d.scans++
	if !c.started || s.Segment != c.segment {
		c.closeAll(sp, d)
		c.closeLows(d)
		sp.closeEdge(c, d, c.lastMono)
		c.newSegment(s.Segment, segmentReason(c, s))
		c.started = true
	}
	if s.Reason != scan.Good {
		if r.master && c.bad == scan.Good {
			c.bad = s.Reason
		}
		sp.watchSilent(c, d, s, r)
		return
	}
	gapMS := s.Group.GapMS()
	var got pairs
	for i := range r.pairs {
		p := &r.pairs[i]
		raw, ok := s.Get(p.in)
		if !ok {
			sp.watchBad(c, d, s, p, gapMS)
			continue
		}
		cs := &sp.chans[p.ch]
		v, ok := fixedCounts(cs.kind, cs.class == classCounter, raw)
		if !ok {
			continue
		}
		sp.stepValue(c, d, s, p.ch, v, gapMS, len(r.health) > 0, &got)
		sp.watchGood(c, d, s, p, v, gapMS)
		c.tracks[p.ch].take(s, v, gapMS)
		got.lead = got.lead || sp.reckon != nil && p.ch == sp.reckon.lead
	}
	sp.stepTogether(c, d, s, r, gapMS, &got)
}

// stepValue adds one good value to its channel's sums.
func (sp *spec) stepValue(c *carry, d *delta, s *scan.Scan, ch int, v, gapMS int64, health bool, got *pairs) {
	cs, t := &sp.chans[ch], &c.tracks[ch]
	switch cs.class {
	case classCounter:
		n := &d.counters[cs.slot]
		diff, ms := n.diff, n.ms
		n.step(t, s, v, gapMS, cs.modulus)
		if ch == sp.energy {
			slot := &d.slots[slotOf(s.WallMS)]
			slot.counter += n.diff - diff
			slot.counterMS += n.ms - ms
		}
	case classAnalog:
		one := sp.stepAnalog(c, d, ch, t, s, v, gapMS)
		if health {
			sp.stepHealth(d, ch, t, v, one)
		}
		sp.stepDrops(c, d, ch, s.MonoMS, v, one)
		// one channel may be several of these
		for _, part := range [...]struct {
			ch int
			of *pair
		}{{sp.draw, &got.power}, {sp.fraction, &got.fraction}, {sp.sump, &got.sump}, {sp.pressure, &got.pressure}, {sp.flow, &got.flow}} {
			if ch == part.ch {
				*part.of = one
			}
		}
		if ch == sp.tap {
			c.edges.take(sp, s.MonoMS, v)
		}
	}
}

// stepTogether does what needs the whole scan: states, and what goes by state.
func (sp *spec) stepTogether(c *carry, d *delta, s *scan.Scan, r *route, gapMS int64, got *pairs) {
	if got.lead {
		got.power = sp.stepReckoned(c, d, s, gapMS)
	}
	if r.master {
		sp.stepState(c, d, s, gapMS)
	}
	sp.stepRunSigns(c, s.MonoMS)
	if got.pressure.seen {
		sp.stepPressure(c, d, s, got.pressure)
	}
	if sp.minutes {
		sp.stepMinutes(c, d, s, got.pressure, got.flow, got.fraction)
	}
	for _, ch := range r.health {
		if t := &c.tracks[ch]; t.has && t.mono == s.MonoMS {
			t.state = sp.stateAt(c, s.MonoMS)
		}
	}
	if got.power.seen {
		if got.power.dt > 0 {
			d.slots[slotOf(s.WallMS)].add(got.power, c.tracks[sp.draw].state)
		}
		sp.byState(c, &d.power, sp.draw, got.power, s.MonoMS)
		sp.stepPowerFall(c, d, got.power, s.MonoMS)
	}
	if got.sump.seen {
		sp.stepSumpFall(c, got.sump, s.MonoMS)
	}
	if got.flow.seen && sp.hasStates {
		sp.stepFullFlow(c, d, got.flow, s.MonoMS)
		sp.byState(c, &d.flow, sp.flow, got.flow, s.MonoMS)
	}
	if got.fraction.seen {
		sp.byState(c, &d.fraction, sp.fraction, got.fraction, s.MonoMS)
	}
}

// take makes v the track's last value.
func (t *track) take(s *scan.Scan, v, gapMS int64) {
	if t.has && t.fresh && s.MonoMS-t.mono <= gapMS {
		t.hasPrior, t.prior = t.hasBefore, t.before
		t.hasBefore, t.before = true, t.counts
	} else {
		t.forgetBefore()
	}
	t.has, t.fresh, t.mono, t.wall, t.counts = true, true, s.MonoMS, s.WallMS, v
}

// segmentReason says why a new segment began: when monotonic time runs on, the
// wall clock stepped; else the agent was started anew.
func segmentReason(c *carry, s *scan.Scan) scan.Reason {
	if c.hasLast && s.MonoMS >= c.lastMono && s.MonoMS-c.lastMono <= 60_000 {
		return scan.ClockStep
	}
	return scan.AgentStopped
}

// pair is two neighbouring good values of a channel; dt is 0 where the earlier
// one is missing or too old.
type pair struct {
	seen      bool
	twice, dt int64 // sum of the two counts, and milliseconds between them
}

func (sp *spec) stepAnalog(c *carry, d *delta, ch int, t *track, s *scan.Scan, v, gapMS int64) pair {
	a := &d.analog[sp.chans[ch].slot]
	a.see(v)
	got := pair{seen: true}
	if dt := s.MonoMS - t.mono; t.has && t.fresh && dt > 0 && dt <= gapMS {
		got.twice, got.dt = t.counts+v, dt
		a.add(got.twice, dt)
	}
	if ch != sp.pressure {
		return got
	}
	if c.cycle.phase > 0 && c.cycle.hasPressure {
		c.cycle.minCounts = min(c.cycle.minCounts, v)
		c.cycle.maxCounts = max(c.cycle.maxCounts, v)
	}
	return got
}

// Fall is what two readings of a counter say of what lay between them.
type Fall uint8

// The kinds of Fall.
const (
	Onward  Fall = iota // it did not fall
	Wrapped             // it went over the end of its range
	Reset               // it began anew: what it counted meanwhile is not known
)

// CounterFall judges two readings of a counter that wraps to zero at modulus, 0
// where that is not known. A fall is taken for a wrap where it leads from the
// top tenth of the range to the bottom tenth.
func CounterFall(before, after, modulus int64) Fall {
	switch {
	case after >= before:
		return Onward
	case modulus > 0 && before >= modulus-modulus/10 && before < modulus && after <= modulus/10 && after >= 0:
		return Wrapped
	}
	return Reset
}

// step counts by difference. A fall is a wrap where the register's width makes
// it likely, else a reset, which counts nothing.
func (n *counterSum) step(t *track, s *scan.Scan, v, gapMS, modulus int64) {
	if !t.has {
		return
	}
	diff := v - t.counts
	reset := false
	switch CounterFall(t.counts, v, modulus) {
	case Wrapped:
		diff += modulus
		n.wraps++
	case Reset:
		diff, reset = 0, true
		n.resets++
	}
	if dt := s.MonoMS - t.mono; t.fresh && dt > 0 && dt <= gapMS {
		n.diff += diff
		n.ms += dt
		return
	}
	n.gaps = append(n.gaps, counterGap{from: t.wall, to: s.WallMS, diff: diff, reset: reset})
}

// stateAt is the state that holds for a value of another group at mono: it is
// held for at most three periods of the master group.
func (sp *spec) stateAt(c *carry, mono int64) State {
	if !c.known || sp.master < 0 || mono-c.lastMono > sp.chans[sp.master].gapMS {
		return Unobserved
	}
	return c.state
}

// byState adds a pair to the state that held at its start.
func (sp *spec) byState(c *carry, sums *stateSums, ch int, p pair, mono int64) {
	t := &c.tracks[ch]
	now := sp.stateAt(c, mono)
	if p.dt > 0 {
		sums.all[t.state].add(p.twice, p.dt)
		if t.state == now {
			sums.same[now].add(p.twice, p.dt)
		}
	}
	t.state = now
}
