package analysis

import (
	"encoding/binary"
	"math"

	"loadscribe/agent/quantity"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// low is an unbroken time below the system's minimum pressure.
type low struct {
	from, to int64 // wall times
	running  bool  // of the list that ends where the machines stop
}

// The two kinds of times below the minimum: whatever the machines did, and
// while one of them ran.
const (
	lowAll = iota
	lowRunning
	numLows
)

// LowBridgeMS is how long the pressure may be back at the minimum before a time
// below it counts as over: noise about the minimum is one time, not a hundred.
const LowBridgeMS = 5000

// openLow is a time below the minimum that lasts, or did until a moment ago.
type openLow struct {
	open       bool
	from, wall int64 // monotonic, and what the wall clock showed then
	seen       int64 // monotonic time of the last reading below
	end        int64 // monotonic: where it ends by what is known so far
}

func (o *openLow) low(kind int) low {
	return low{from: o.wall, to: o.wall + o.end - o.from, running: kind == lowRunning}
}

func (o *openLow) close(d *delta, kind int) {
	if o.open {
		d.lows = append(d.lows, o.low(kind))
	}
	*o = openLow{}
}

// step takes a reading; dt is the time since the one before it, 0 where that is
// missing.
func (o *openLow) step(d *delta, kind int, s *scan.Scan, dt int64, below bool) {
	if dt == 0 {
		o.close(d, kind)
	}
	switch {
	case below && !o.open:
		*o = openLow{open: true, from: s.MonoMS - dt/2, wall: s.WallMS - dt/2, seen: s.MonoMS, end: s.MonoMS}
	case below:
		o.seen, o.end = s.MonoMS, s.MonoMS
	case o.open:
		if o.end == o.seen {
			o.end += dt / 2
		}
		if s.MonoMS-o.seen >= LowBridgeMS {
			o.close(d, kind)
		}
	}
}

// closeLows ends what lasts where monotonic time breaks.
func (c *carry) closeLows(d *delta) {
	for kind := range c.lows {
		c.lows[kind].close(d, kind)
	}
}

// runSign is how a system knows that one of its machines runs: by its signal,
// or by the level that the machine's own states come from.
type runSign struct {
	running, loaded int // places in chans; -1: none
	level           *level
}

// addRunSigns takes in the channels that tell whether a machine of the system
// runs. They come after the watches are set: those are the machine's.
func (sp *spec) addRunSigns(site *sitefile.Site, groups []*scan.Group, s *sitefile.System, levels Calibrations) {
	if sp.pressure < 0 {
		return
	}
	for _, name := range s.Machines {
		m, ok := site.MachineByName(name)
		if !ok {
			continue
		}
		of := machineStates(site, groups, m, levels[name])
		if !of.hasStates {
			sp.runSigns = nil // one that may run unseen makes "none runs" untrue
			return
		}
		sp.runSigns = append(sp.runSigns, sp.runSignOf(of))
	}
}

func (sp *spec) runSignOf(of *spec) runSign {
	take := func(ch int) int {
		if ch < 0 {
			return -1
		}
		c := of.chans[ch]
		sp.place(&c)
		sp.chans = append(sp.chans, c)
		return len(sp.chans) - 1
	}
	sign := runSign{running: take(of.running), loaded: -1}
	if of.running < 0 && of.runLevel != nil {
		l := *of.runLevel
		l.ch = take(l.ch)
		sign.level, sign.loaded = &l, take(of.loaded)
	}
	return sign
}

// stepRunSigns moves the hysteresis of levels that this scan has read.
func (sp *spec) stepRunSigns(c *carry, mono int64) {
	if len(c.signs) != len(sp.runSigns) {
		c.signs = make([]hysteresis, len(sp.runSigns))
	}
	for i := range sp.runSigns {
		l := sp.runSigns[i].level
		if l == nil {
			continue
		}
		if t := &c.tracks[l.ch]; t.has && t.fresh && t.mono == mono {
			c.signs[i].step(l, t.counts, mono)
		} else if !sp.held(c, l.ch, mono) {
			c.signs[i] = hysteresis{}
		}
	}
}

// runs is what the subject's machines do: a state of one that runs, of one that
// does not, or Unobserved.
func (sp *spec) runs(c *carry, mono int64) State {
	if !sp.system {
		return sp.stateAt(c, mono)
	}
	if len(sp.runSigns) == 0 {
		return Unobserved
	}
	all := Stopped
	for i := range sp.runSigns {
		sign := &sp.runSigns[i]
		switch {
		case sign.running >= 0 && sp.held(c, sign.running, mono):
			if sp.bit(c, sign.running) {
				return Loaded
			}
		case sign.level != nil && sp.held(c, sign.level.ch, mono):
			if c.signs[i].on || sign.loaded >= 0 && sp.held(c, sign.loaded, mono) && sp.bit(c, sign.loaded) {
				return Loaded
			}
		default:
			all = Unobserved
		}
	}
	return all
}

// stepPressure sorts a reading of the subject's pressure by what its machines
// do. A pair belongs to what they did at its start.
func (sp *spec) stepPressure(c *carry, d *delta, s *scan.Scan, p pair) {
	t := &c.tracks[sp.pressure]
	now := sp.runs(c, s.MonoMS)
	if now.Running() {
		d.ran.see(t.counts)
	}
	if p.dt > 0 {
		bins := &d.bins
		if t.state.Running() {
			bins = &d.ranBins
			d.ran.add(p.twice, p.dt)
		}
		bins.add((p.twice-t.counts)>>sp.binShift, p.dt)
		bins.add(t.counts>>sp.binShift, p.dt)
	}
	t.state = now
	if sp.hasLow {
		below := t.counts < sp.lowBelow != sp.lowTurned
		c.lows[lowAll].step(d, lowAll, s, p.dt, below)
		c.lows[lowRunning].step(d, lowRunning, s, p.dt, below && now.Running())
	}
}

// setLow brings the system's minimum pressure to counts: a reading is below it
// where it is less than lowBelow, or not less, where the scale runs downwards.
func (sp *spec) setLow(minimumPa float64) {
	if sp.pressure < 0 || minimumPa <= 0 {
		return
	}
	c := &sp.chans[sp.pressure]
	if c.unit.Dimension != quantity.Pressure || c.countSI == 0 {
		return
	}
	// A reading that stands for the minimum itself is not below it, whatever
	// the last place of a conversion says.
	const slack = 1e-6
	at := float64(minimumPa-c.offsetSI) / c.countSI
	limit := math.Ceil(at - slack)
	if sp.lowTurned = c.countSI < 0; sp.lowTurned {
		limit = math.Floor(at+slack) + 1
	}
	if math.Abs(limit) < maxCounts {
		sp.hasLow, sp.lowBelow = true, int64(limit)
	}
}

func encodeLows(b []byte, lows []low, base int64) []byte {
	b = appendCount(b, len(lows))
	for _, l := range lows {
		b = appendSigned(b, l.from-base)
		b = binary.AppendUvarint(b, uint64(l.to-l.from))
		b = appendBool(b, l.running)
	}
	return b
}

func decodeLows(lows []low, r *reader, base int64) []low {
	lows = lows[:0]
	for n := r.count(3); n > 0; n-- {
		l := low{from: r.signed() + base}
		l.to = l.from + r.atLeastZero()
		l.running = r.bool()
		lows = append(lows, l)
	}
	return lows
}

func (o *openLow) encode(b []byte, mono, wall int64) []byte {
	b = appendBool(b, o.open)
	if !o.open {
		return b
	}
	for _, v := range [...]int64{o.from - mono, o.wall - wall, o.seen - mono, o.end - mono} {
		b = appendSigned(b, v)
	}
	return b
}

func (o *openLow) decode(r *reader, mono, wall int64) {
	if o.open = r.bool(); o.open {
		o.from, o.wall, o.seen, o.end = r.signed()+mono, r.signed()+wall, r.signed()+mono, r.signed()+mono
	}
}
