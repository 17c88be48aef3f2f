package analysis

import (
	"encoding/binary"

	"loadscribe/agent/scan"
)

// watchKind is what is watched for in the data. The numbers are stored.
type watchKind uint8

const (
	watchAbsent         watchKind = iota + 1 // a channel gives no value
	watchImpossible                          // a value that cannot be
	watchStuck                               // a value that does not move while the machine loads and unloads
	watchStill                               // a counter that does not count while it should
	watchLoadedStopped                       // loaded by its signal, with the motor off by its
	watchPowerStopped                        // draws power, with the motor off by its signal
	watchRunningNoPower                      // draws none, with the motor on by its signal
	watchLoadUnseen                          // loaded by its signal, and draws no more than unloaded
	watchLoadSeen                            // unloaded by its signal, and draws as much as loaded
	watchIgnored                             // told to load, and not loaded by its signal
	watchUntold                              // loaded by its signal, and not told to
)

// watch is one thing watched for on one channel, in counts and milliseconds.
type watch struct {
	kind  watchKind
	ch    int
	other int // a second channel; -1: none
	// A spell counts once it has lasted graceMS (and seen turns changes of
	// load), is over once holdMS have passed without another, and is reported
	// if it took leastMS in all.
	graceMS, holdMS, leastMS int64
	turns                    int64
	lo, hi                   int64 // limits in counts
}

// spell is how a watch stands: part of the carry.
type spell struct {
	on     bool  // what is watched for holds since runWall
	open   bool  // and has counted since fromWall
	done   bool  // the run that is on has been counted in n
	mono   int64 // of the last look; meaningless unless on or open
	runMS  int64 // of the run that is on
	turns  int64 // changes of load in it
	run    int64 // wall time of its begin
	from   int64
	last   int64 // wall time at which it last held
	lastAt int64 // the same, monotonic
	ms, n  int64 // in it, over all its runs; number of runs
	value  int64 // what was read: the first, or the one furthest out
}

// found is a spell that is over.
type found struct {
	watch    int
	from, to int64 // wall times
	ms, n    int64
	value    int64
	moved    bool // joined from spells at several values
	lasts    bool // it holds at the end of the window
}

// look tells a watch what holds at a reading. gapMS is how long the reading
// before it counts.
func (sp *spec) look(c *carry, d *delta, w int, s *scan.Scan, holds bool, value, gapMS int64) {
	l, at := &sp.watches[w], &c.spells[w]
	if !holds && !at.on && !at.open {
		return
	}
	dt := s.MonoMS - at.mono
	if at.on && (dt <= 0 || dt > gapMS) {
		at.endRun()
	}
	// A run that counts keeps its finding open, however short the hold.
	if at.open && !(at.on && at.done) && s.MonoMS-at.lastAt > l.holdMS {
		c.close(sp, d, w)
	}
	switch {
	case holds && !at.on:
		at.on, at.run, at.value = true, s.WallMS, at.firstOf(value)
	case holds:
		at.runMS += dt
	case at.on:
		at.endRun()
	}
	if holds && at.runMS >= l.graceMS && at.turns >= l.turns {
		at.count(l, s, value, dt)
	}
	at.mono = s.MonoMS
	if !at.on && !at.open {
		*at = spell{}
	}
}

// firstOf keeps the value of a finding that is open.
func (at *spell) firstOf(value int64) int64 {
	if at.open {
		return at.value
	}
	return value
}

func (at *spell) endRun() { at.on, at.done, at.runMS, at.turns, at.run = false, false, 0, 0, 0 }

// count adds the run, or what it grew by, to the finding.
func (at *spell) count(l *watch, s *scan.Scan, value, dt int64) {
	if !at.open {
		at.open, at.from = true, at.run
	}
	if at.done {
		at.ms += dt
	} else {
		at.done = true
		at.ms += at.runMS
		at.n++
	}
	at.last, at.lastAt = s.WallMS, s.MonoMS
	if l.kind == watchImpossible && outside(l, value) > outside(l, at.value) {
		at.value = value
	}
}

// outside is how far a value lies beyond the limits.
func outside(l *watch, v int64) int64 { return max(l.lo-v, v-l.hi) }

// close ends the finding and reports it where it weighs enough.
func (c *carry) close(sp *spec, d *delta, w int) {
	at := &c.spells[w]
	if at.open && at.ms >= sp.watches[w].leastMS {
		d.found = append(d.found, found{watch: w, from: at.from, to: at.last, ms: at.ms, n: at.n, value: at.value})
	}
	at.open, at.from, at.last, at.lastAt, at.ms, at.n = false, 0, 0, 0, 0, 0
	if !at.on {
		*at = spell{}
	}
}

// closeAll ends every finding: a new segment knows nothing of the one before.
func (c *carry) closeAll(sp *spec, d *delta) {
	for w := range c.spells {
		if at := &c.spells[w]; at.on || at.open {
			at.endRun()
			c.close(sp, d, w)
		}
	}
}

// turned tells the watches for stuck values that the machine has changed its
// load.
func (sp *spec) turned(c *carry) {
	for w := range sp.watches {
		if c.spells[w].on && sp.watches[w].kind == watchStuck {
			c.spells[w].turns++
		}
	}
}

// watchBad looks at a channel that gives no good value at a scan.
func (sp *spec) watchBad(c *carry, d *delta, s *scan.Scan, p *routed, gapMS int64) {
	why := s.ReasonOf(p.in)
	if p.impossible >= 0 && s.Reason == scan.Good {
		value := int64(0)
		if why == scan.Implausible && p.in < len(s.Values) {
			cs := &sp.chans[p.ch]
			value, _ = fixedCounts(cs.kind, cs.class == classCounter, s.Values[p.in])
		}
		sp.look(c, d, p.impossible, s, why == scan.Implausible, value, gapMS)
	}
	if p.absent >= 0 {
		// A device that is silent is asked less often.
		sp.look(c, d, p.absent, s, why != scan.Implausible, int64(why), noGapMS)
	}
}

// watchSilent looks at a scan without values. Of the device that tells the
// states the gaps speak already.
func (sp *spec) watchSilent(c *carry, d *delta, s *scan.Scan, r *route) {
	if sp.master >= 0 && s.Group.Device == sp.chans[sp.master].device {
		return
	}
	for i := range r.pairs {
		sp.watchBad(c, d, s, &r.pairs[i], noGapMS)
	}
}

// watchGood looks at a good value before it becomes the track's last.
func (sp *spec) watchGood(c *carry, d *delta, s *scan.Scan, p *routed, v, gapMS int64) {
	if p.absent >= 0 {
		sp.look(c, d, p.absent, s, false, 0, noGapMS)
	}
	if p.impossible >= 0 {
		l := &sp.watches[p.impossible]
		sp.look(c, d, p.impossible, s, outside(l, v) > 0, v, gapMS)
	}
	if p.stuck < 0 {
		return
	}
	l, t := &sp.watches[p.stuck], &c.tracks[p.ch]
	same := t.has && t.fresh && t.counts == v
	switch l.kind {
	case watchStuck:
		sp.look(c, d, p.stuck, s, same && v > l.lo, v, gapMS)
	case watchStill:
		// Time in which it need not count neither ends the run nor adds to it.
		at := &c.spells[p.stuck]
		if same && !sp.counts(c, p.ch, s.MonoMS) && at.on && s.MonoMS-at.mono <= gapMS {
			at.mono = s.MonoMS
			if at.open {
				at.lastAt = s.MonoMS
			}
			return
		}
		sp.look(c, d, p.stuck, s, same && sp.counts(c, p.ch, s.MonoMS), v, gapMS)
	}
}

// counts reports whether a counter ought to count in the state that holds.
func (sp *spec) counts(c *carry, ch int, mono int64) bool {
	st := sp.stateAt(c, mono)
	if sp.chans[ch].role == scan.LoadedHours {
		return st.delivering()
	}
	return st.Running()
}

// watchStates looks at what two channels say of the machine at a scan that
// told its state.
func (sp *spec) watchStates(c *carry, d *delta, s *scan.Scan, gapMS int64) {
	for _, w := range sp.pairWatches {
		l := &sp.watches[w]
		if !sp.held(c, l.ch, s.MonoMS) || !sp.held(c, l.other, s.MonoMS) {
			sp.look(c, d, w, s, false, 0, gapMS)
			continue
		}
		v := c.tracks[l.ch].counts
		sp.look(c, d, w, s, sp.contradicts(c, l, v), v, gapMS)
	}
}

// contradicts judges a pair: ch is the evidence, other the signal.
func (sp *spec) contradicts(c *carry, l *watch, v int64) bool {
	switch l.kind {
	case watchLoadedStopped:
		return sp.bit(c, l.ch) && !sp.bit(c, l.other)
	case watchPowerStopped:
		return v > l.hi && !sp.bit(c, l.other)
	case watchRunningNoPower:
		return v < l.lo && sp.bit(c, l.other)
	case watchLoadUnseen:
		return v < l.lo && c.state.delivering() && sp.bit(c, l.other)
	case watchLoadSeen:
		return v > l.hi && c.state == Unloaded && !sp.bit(c, l.other)
	case watchIgnored:
		return c.state.Running() && !sp.bit(c, l.ch) && sp.bit(c, l.other)
	case watchUntold:
		return c.state.Running() && sp.bit(c, l.ch) && !sp.bit(c, l.other)
	}
	return false
}

// encode appends a spell; times are relative to the last good master scan.
func (at *spell) encode(b []byte, mono, wall int64) []byte {
	b = append(b, flags(at.on, at.open, at.done))
	if !at.on && !at.open {
		return b
	}
	b = appendSigned(b, at.mono-mono)
	if at.on {
		b = binary.AppendUvarint(b, uint64(at.runMS))
		b = binary.AppendUvarint(b, uint64(at.turns))
		b = appendSigned(b, at.run-wall)
	}
	if at.open {
		b = appendSigned(b, at.from-wall)
		b = appendSigned(b, at.last-wall)
		b = appendSigned(b, at.lastAt-mono)
		b = binary.AppendUvarint(b, uint64(at.ms))
		b = binary.AppendUvarint(b, uint64(at.n))
	}
	return appendSigned(b, at.value)
}

func (at *spell) decode(r *reader, mono, wall int64) {
	f := r.byteBelow(8)
	at.on, at.open, at.done = f&1 != 0, f&2 != 0, f&4 != 0
	if !at.on && !at.open {
		if f != 0 {
			r.fail("flags without a spell")
		}
		return
	}
	at.mono = r.signed() + mono
	if at.on {
		at.runMS, at.turns, at.run = r.atLeastZero(), r.atLeastZero(), r.signed()+wall
	}
	if at.open {
		at.from, at.last, at.lastAt = r.signed()+wall, r.signed()+wall, r.signed()+mono
		at.ms, at.n = r.atLeastZero(), r.atLeastZero()
	}
	at.value = r.signed()
}

func encodeFound(b []byte, list []found, base int64) []byte {
	b = appendCount(b, len(list))
	for _, f := range list {
		b = binary.AppendUvarint(b, uint64(f.watch))
		b = appendSigned(b, f.from-base)
		b = appendSigned(b, f.to-base)
		b = binary.AppendUvarint(b, uint64(f.ms))
		b = binary.AppendUvarint(b, uint64(f.n))
		b = appendSigned(b, f.value)
	}
	return b
}

func decodeFound(list []found, r *reader, base int64) []found {
	for n := r.count(6); n > 0; n-- {
		list = append(list, found{watch: int(r.atLeastZero()), from: r.signed() + base, to: r.signed() + base,
			ms: r.atLeastZero(), n: r.atLeastZero(), value: r.signed()})
	}
	return list
}
