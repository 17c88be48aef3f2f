package analysis

import "loadscribe/agent/scan"

// stepState takes a scan of the master group: it decides the state, gives the
// time since the last one to the state that held, and notes what changed.
func (sp *spec) stepState(c *carry, d *delta, s *scan.Scan, gapMS int64) {
	if why := sp.missing(c, s); why != scan.Good {
		if c.bad == scan.Good {
			c.bad = why
		}
		return
	}
	dt := s.MonoMS - c.lastMono
	if c.known && dt <= 0 {
		return // a second scan of the same moment adds nothing
	}
	if c.known && dt > gapMS {
		sp.closeEdge(c, d, c.lastMono)
		c.forgetState()
		if c.bad == scan.Good {
			c.bad = scan.Dropped // the line was read, no scan came through
		}
	}
	if c.known {
		d.stateMS[c.state] += dt
		if sp.minutes {
			d.minute(s.WallMS).seenMS += dt
		}
		if st := sp.decide(c, s.MonoMS); st != c.state {
			sp.change(c, d, s, st)
		}
	} else {
		sp.begin(c, d, s)
	}
	c.hasLast, c.lastMono, c.lastWall, c.bad = true, s.MonoMS, s.WallMS, scan.Good
	sp.stepEdges(c, d, s.MonoMS)
	sp.watchStates(c, d, s, gapMS)
}

// begin sets the first state after a gap, without a guess at when it began.
func (sp *spec) begin(c *carry, d *delta, s *scan.Scan) {
	if c.hasLast {
		d.gaps = append(d.gaps, gap{from: c.lastWall, to: s.WallMS, reason: c.bad})
	}
	c.state = sp.decide(c, s.MonoMS)
	c.known = true
	c.duty.found(c.state, c.bad, s.MonoMS)
	sp.foundEdges(c, s.MonoMS)
	c.sinceMono, c.sinceWall, c.sinceKnown = s.MonoMS, s.WallMS, false
	d.transitions = append(d.transitions, transition{s.WallMS, s.MonoMS, c.state, true})
	if c.state == Unloaded {
		// When it unloaded is not known, but from here on it may be watched.
		sp.settle(c, s, c.state, false)
	}
}

// missing returns why a channel that the state needs has no value at this
// scan, or Good.
func (sp *spec) missing(c *carry, s *scan.Scan) scan.Reason {
	if !sp.hasStates {
		// Only presence counts: the master channel was read.
		if c.tracks[sp.master].fresh && c.tracks[sp.master].mono == s.MonoMS {
			return scan.Good
		}
		return sp.masterReason(s)
	}
	for _, ch := range sp.needed() {
		if ch >= 0 && !sp.held(c, ch, s.MonoMS) {
			if ch == sp.master {
				return sp.masterReason(s)
			}
			return scan.Absent
		}
	}
	// A master value that is only held is no new knowledge.
	if c.tracks[sp.master].mono != s.MonoMS {
		return sp.masterReason(s)
	}
	return scan.Good
}

// needed are the channels that a state needs; -1: none.
func (sp *spec) needed() [4]int {
	need := [4]int{sp.running, sp.loaded, -1, -1}
	if sp.runLevel != nil {
		need[2] = sp.runLevel.ch
	}
	if sp.loadLevel != nil {
		need[3] = sp.loadLevel.ch
	}
	return need
}

func (sp *spec) masterReason(s *scan.Scan) scan.Reason {
	if why := s.ReasonOf(s.Group.Index(sp.chans[sp.master].name)); why != scan.Good {
		return why
	}
	return scan.Absent
}

// held reports whether the channel's last value still counts: at most three of
// its own periods.
func (sp *spec) held(c *carry, ch int, mono int64) bool {
	t := &c.tracks[ch]
	return t.has && t.fresh && mono-t.mono <= sp.chans[ch].gapMS
}

// bit is whether a bit's value, which may be its raw one turned round, is yes.
func (sp *spec) bit(c *carry, ch int) bool {
	return (c.tracks[ch].counts != 0) != sp.chans[ch].inverted
}

// decide is the state by the values that hold now. It moves the hysteresis and
// the start phase in the carry.
func (sp *spec) decide(c *carry, mono int64) State {
	if !sp.hasStates {
		return Unobserved
	}
	running := false
	if sp.running >= 0 {
		running = sp.bit(c, sp.running)
	} else {
		running = c.run.step(sp.runLevel, c.tracks[sp.runLevel.ch].counts, mono)
	}
	if sp.runLevel != nil && sp.loaded >= 0 && sp.bit(c, sp.loaded) {
		running = true // loaded by its own signal: the level lags
	}
	loadByLevel := sp.loadLevel != nil && c.load.step(sp.loadLevel, c.tracks[sp.loadLevel.ch].counts, mono)
	if !running {
		if c.inStart && mono-c.startMono < sp.startMS && c.duty.changeover(mono) {
			return Starting
		}
		c.inStart, c.startMono = false, 0
		c.duty.resume()
		return sp.stoppedState(c, mono)
	}
	c.duty.resume()
	if c.known && !c.state.Running() {
		c.inStart, c.startMono = true, mono
	}
	if c.inStart && mono-c.startMono >= sp.startMS {
		c.inStart, c.startMono = false, 0
	}
	st := sp.runningState(c, mono, loadByLevel)
	switch {
	case st.delivering() && (sp.loaded >= 0 || sp.fraction >= 0):
		c.inStart, c.startMono = false, 0
	case c.inStart:
		// An inrush must not pass for load, nor a ramp for idling.
		return Starting
	}
	return st
}

// runningState tells unloaded, loaded and part-load apart.
func (sp *spec) runningState(c *carry, mono int64, loadByLevel bool) State {
	fraction := sp.fraction >= 0 && sp.held(c, sp.fraction, mono)
	delivering := false
	switch {
	case sp.loaded >= 0:
		delivering = sp.bit(c, sp.loaded)
	case sp.loadLevel != nil:
		delivering = loadByLevel
	case fraction:
		delivering = c.tracks[sp.fraction].counts > sp.part
	default:
		delivering = true // start/stop, or runOnly
	}
	switch {
	case !delivering:
		return Unloaded
	case sp.runOnly:
		return PartLoad
	case !sp.control.PartLoad():
		return Loaded
	case fraction && c.tracks[sp.fraction].counts >= sp.full:
		return Loaded
	}
	return PartLoad
}

func (sp *spec) stoppedState(c *carry, mono int64) State {
	if sp.fault >= 0 && sp.held(c, sp.fault, mono) && c.tracks[sp.fault].counts != 0 {
		return Tripped
	}
	if sp.standby >= 0 && sp.held(c, sp.standby, mono) {
		if sp.bit(c, sp.standby) {
			return Standby
		}
		return Off
	}
	return Stopped
}

// step moves the hysteresis. The first value decides by the middle of the
// band; later ones must hold for the dwell.
func (h *hysteresis) step(l *level, counts, mono int64) bool {
	if !h.known {
		*h = hysteresis{known: true, on: counts >= l.off+(l.on-l.off)/2}
		return h.on
	}
	other := counts >= l.on
	if h.on {
		other = counts < l.off
	}
	switch {
	case !other:
		h.pending, h.mono = false, 0
		return h.on
	case !h.pending:
		h.pending, h.mono = true, mono
	}
	if mono-h.mono >= l.dwellMS {
		*h = hysteresis{known: true, on: !h.on}
	}
	return h.on
}

// change notes a transition seen between two good scans.
func (sp *spec) change(c *carry, d *delta, s *scan.Scan, to State) {
	from := c.state
	sp.turned(c)
	d.transitions = append(d.transitions, transition{s.WallMS, s.MonoMS, to, false})
	c.state = to
	c.sinceMono, c.sinceWall, c.sinceKnown = s.MonoMS, s.WallMS, true
	switch {
	case !from.Running() && to.Running():
		st := start{wall: s.WallMS, mono: s.MonoMS, segment: s.Segment, from: from}
		if c.hasStop {
			st.restMS = s.MonoMS - c.stopMono
		}
		c.hasStop, c.stopMono = false, 0
		st.afterLoss = c.duty.started(s.MonoMS)
		d.starts = append(d.starts, st)
		c.remember(s.WallMS)
	case from.Running() && !to.Running():
		d.stops++
		if c.duty.stopped(s.MonoMS, c.bad) {
			d.failed++
		}
		c.hasStop, c.stopMono = true, s.MonoMS
	}
	if to.delivering() {
		c.duty.loaded = true
	}
	if from.delivering() != to.delivering() {
		sp.stepEdge(c, d, s, to.delivering())
	}
	sp.changeCycle(c, d, s, from, to)
	sp.endUnload(c, d, s, to)
	c.settle = settling{}
	if to == Unloaded {
		sp.settle(c, s, from, true)
	}
}

// changeCycle opens, turns and closes load cycles.
func (sp *spec) changeCycle(c *carry, d *delta, s *scan.Scan, from, to State) {
	if sp.runOnly {
		return
	}
	cy := &c.cycle
	p, step, known := sp.pressureNow(c, s.MonoMS)
	if from.delivering() && !to.delivering() {
		d.unloads++
		if cy.phase == 1 {
			cy.phase, cy.unloadMono, cy.atUnload, cy.unloadStep = 2, s.MonoMS, p, step
			if !known {
				cy.forgetPressure()
			}
		}
	}
	if cy.phase == 2 && from.Running() && !to.Running() {
		cy.close(d, s.MonoMS, endedByStop)
	}
	if !from.delivering() && to.delivering() {
		d.loads++
		direct := cy.phase == 2
		if direct {
			cy.close(d, s.MonoMS, endedByLoad)
		}
		*cy = openCycle{phase: 1, loadWall: s.WallMS, loadMono: s.MonoMS, direct: direct}
		if known {
			now := c.tracks[sp.pressure].counts
			cy.hasPressure, cy.atLoad, cy.loadStep, cy.minCounts, cy.maxCounts = true, p, step, now, now
		}
	}
}

// pressureNow is twice the pressure at a transition, which lies somewhere
// between the last reading that did not show it and the one that does. Pressure
// turns there, so that the middle between the two lies beside it: it is led on
// from the reading before by half of what it last moved. step is the most that
// it moved from one of these readings to the next.
func (sp *spec) pressureNow(c *carry, mono int64) (twice, step int64, known bool) {
	if sp.pressure < 0 || !sp.held(c, sp.pressure, mono) {
		return 0, 0, false
	}
	t := &c.tracks[sp.pressure]
	last, hasPrior, prior := t.counts, t.hasBefore, t.before // of another group: read before the transition
	if t.mono == mono {
		if !t.hasBefore {
			return 0, 0, false
		}
		last, hasPrior, prior = t.before, t.hasPrior, t.prior
		step = apart(t.counts, last)
	}
	if !hasPrior {
		return 2 * last, step, true
	}
	return 2*last + last - prior, max(step, apart(last, prior)), true
}

func apart(a, b int64) int64 { return max(a-b, b-a) }

func (cy *openCycle) forgetPressure() {
	cy.hasPressure, cy.atLoad, cy.atUnload, cy.loadStep, cy.unloadStep = false, 0, 0, 0, 0
	cy.minCounts, cy.maxCounts = 0, 0
}

func (cy *openCycle) close(d *delta, mono int64, end uint8) {
	d.cycles = append(d.cycles, cycle{
		loadWall: cy.loadWall, loadMS: cy.unloadMono - cy.loadMono, unloadMS: mono - cy.unloadMono, end: end,
		direct: cy.direct, hasPressure: cy.hasPressure, atLoad: cy.atLoad, atUnload: cy.atUnload,
		loadStep: cy.loadStep, unloadStep: cy.unloadStep,
		minCounts: cy.minCounts, maxCounts: cy.maxCounts,
	})
	*cy = openCycle{}
}
