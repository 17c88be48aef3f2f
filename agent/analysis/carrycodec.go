package analysis

import (
	"encoding/binary"
	"math"

	"loadscribe/agent/scan"
)

// scanReason reads a reason; numbers of reasons to come are let through.
func scanReason(r *reader) scan.Reason { return scan.Reason(r.byteBelow(64)) }

func (r *reader) unsigned32() uint32 {
	v := r.unsigned()
	if v > math.MaxUint32 {
		r.fail("number too large")
		return 0
	}
	return uint32(v)
}

// encode appends c. Times are relative to the last good master scan, which is
// near all of them.
func (c *carry) encode(b []byte) []byte {
	b = appendBool(b, c.started)
	b = binary.AppendUvarint(b, uint64(c.segment))
	b = appendBool(b, c.known)
	b = append(b, byte(c.state))
	b = appendBool(b, c.hasLast)
	b = appendSigned(b, c.lastMono)
	b = appendSigned(b, c.lastWall)
	b = append(b, byte(c.bad))
	for _, t := range [...]int64{c.sinceMono, c.startMono, c.stopMono} {
		b = appendSigned(b, t-c.lastMono)
	}
	b = appendSigned(b, c.sinceWall-c.lastWall)
	b = append(b, flags(c.sinceKnown, c.inStart, c.hasStop))
	b = c.duty.encode(b, c.lastMono)
	b = c.run.encode(b, c.lastMono)
	b = c.load.encode(b, c.lastMono)
	b = c.cycle.encode(b, c.lastMono, c.lastWall)
	b = c.settle.encode(b, c.lastMono, c.lastWall)
	b = appendCount(b, c.recents)
	for _, w := range c.recent[:c.recents] {
		b = appendSigned(b, w-c.lastWall)
	}
	b = appendCount(b, len(c.tracks))
	for i := range c.tracks {
		b = c.tracks[i].encode(b, c.lastMono, c.lastWall)
	}
	b = appendCount(b, len(c.spells))
	for i := range c.spells {
		b = c.spells[i].encode(b, c.lastMono, c.lastWall)
	}
	b = appendCount(b, len(c.signs))
	for i := range c.signs {
		b = c.signs[i].encode(b, c.lastMono)
	}
	for i := range c.lows {
		b = c.lows[i].encode(b, c.lastMono, c.lastWall)
	}
	return c.edges.encode(b, c.lastMono, c.lastWall)
}

func flags(bits ...bool) byte {
	var f byte
	for i, v := range bits {
		if v {
			f |= 1 << i
		}
	}
	return f
}

// decodeCarry is the inverse of encode, for a subject with so many channels and
// watches.
func decodeCarry(b []byte, channels, watches int) (carry, error) {
	r := &reader{b: b}
	c := readCarry(r, channels, watches)
	if err := r.end(); err != nil {
		return carry{}, err
	}
	return c, nil
}

func readCarry(r *reader, channels, watches int) carry {
	var c carry
	c.started = r.bool()
	c.segment = r.unsigned32()
	c.known = r.bool()
	c.state = State(r.byteBelow(numStates))
	c.hasLast = r.bool()
	c.lastMono, c.lastWall = r.signed(), r.signed()
	c.bad = scanReason(r)
	c.sinceMono = r.signed() + c.lastMono
	c.startMono = r.signed() + c.lastMono
	c.stopMono = r.signed() + c.lastMono
	c.sinceWall = r.signed() + c.lastWall
	f := r.byteBelow(8)
	c.sinceKnown, c.inStart, c.hasStop = f&1 != 0, f&2 != 0, f&4 != 0
	c.duty.decode(r, c.lastMono)
	c.run.decode(r, c.lastMono)
	c.load.decode(r, c.lastMono)
	c.cycle.decode(r, c.lastMono, c.lastWall)
	c.settle.decode(r, c.lastMono, c.lastWall)
	c.recents = r.count(1)
	if c.recents > maxRecent {
		r.fail("too many starts")
		c.recents = 0
	}
	for i := range c.recent[:c.recents] {
		c.recent[i] = r.signed() + c.lastWall
	}
	if n := r.count(1); n != channels {
		r.fail("another number of channels")
		return c
	}
	c.tracks = make([]track, channels)
	for i := range c.tracks {
		c.tracks[i].decode(r, c.lastMono, c.lastWall)
	}
	if n := r.count(1); n != watches {
		r.fail("another number of watches")
		return c
	}
	c.spells = make([]spell, watches)
	for i := range c.spells {
		c.spells[i].decode(r, c.lastMono, c.lastWall)
	}
	if n := r.count(1); n > 0 {
		c.signs = make([]hysteresis, n)
	}
	for i := range c.signs {
		c.signs[i].decode(r, c.lastMono)
	}
	for i := range c.lows {
		c.lows[i].decode(r, c.lastMono, c.lastWall)
	}
	c.edges.decode(r, c.lastMono, c.lastWall)
	return c
}

func (t *track) encode(b []byte, mono, wall int64) []byte {
	b = append(b, flags(t.has, t.fresh, t.hasBefore, t.hasPrior))
	if !t.has {
		return b
	}
	b = appendSigned(b, t.mono-mono)
	b = appendSigned(b, t.wall-wall)
	b = appendSigned(b, t.counts)
	if t.hasBefore {
		b = appendSigned(b, t.before-t.counts)
	}
	if t.hasPrior {
		b = appendSigned(b, t.prior-t.before)
	}
	return append(b, byte(t.state))
}

func (t *track) decode(r *reader, mono, wall int64) {
	f := r.byteBelow(16)
	t.has, t.fresh, t.hasBefore, t.hasPrior = f&1 != 0, f&2 != 0, f&4 != 0, f&8 != 0
	if !t.has {
		if f != 0 {
			r.fail("flags without a value")
		}
		return
	}
	t.mono, t.wall, t.counts = r.signed()+mono, r.signed()+wall, r.signed()
	if t.hasBefore {
		t.before = t.counts + r.signed()
	}
	if t.hasPrior {
		t.prior = t.before + r.signed()
	}
	t.state = State(r.byteBelow(numStates))
}

func (h *hysteresis) encode(b []byte, mono int64) []byte {
	b = append(b, flags(h.known, h.on, h.pending))
	if h.pending {
		b = appendSigned(b, h.mono-mono)
	}
	return b
}

func (h *hysteresis) decode(r *reader, mono int64) {
	f := r.byteBelow(8)
	h.known, h.on, h.pending = f&1 != 0, f&2 != 0, f&4 != 0
	if h.pending {
		h.mono = r.signed() + mono
	}
}

func (cy *openCycle) encode(b []byte, mono, wall int64) []byte {
	b = append(b, cy.phase)
	if cy.phase == 0 {
		return b
	}
	b = appendSigned(b, cy.loadWall-wall)
	b = appendSigned(b, cy.loadMono-mono)
	if cy.phase == 2 {
		b = appendSigned(b, cy.unloadMono-mono)
	}
	b = append(b, flags(cy.direct, cy.hasPressure))
	if cy.hasPressure {
		for _, v := range [...]int64{cy.atLoad, cy.atUnload, cy.loadStep, cy.unloadStep, cy.minCounts, cy.maxCounts} {
			b = appendSigned(b, v)
		}
	}
	return b
}

func (cy *openCycle) decode(r *reader, mono, wall int64) {
	if cy.phase = r.byteBelow(3); cy.phase == 0 {
		return
	}
	cy.loadWall, cy.loadMono = r.signed()+wall, r.signed()+mono
	if cy.phase == 2 {
		cy.unloadMono = r.signed() + mono
	}
	f := r.byteBelow(4)
	if cy.direct, cy.hasPressure = f&1 != 0, f&2 != 0; cy.hasPressure {
		cy.atLoad, cy.atUnload, cy.loadStep, cy.unloadStep = r.signed(), r.signed(), r.signed(), r.signed()
		cy.minCounts, cy.maxCounts = r.signed(), r.signed()
	}
}
