package analysis

import "encoding/binary"

// pieceVersion is Piece.Version: the layout of carry and delta.
const pieceVersion = 6

// encode appends d. Wall times are kept relative to base, the start of the
// cell, and monotonic times relative to the one before.
func (d *delta) encode(b []byte, base int64) []byte {
	b = binary.AppendUvarint(b, uint64(d.scans))
	for _, ms := range d.stateMS {
		b = binary.AppendUvarint(b, uint64(ms))
	}
	b = binary.AppendUvarint(b, uint64(d.stops))
	b = binary.AppendUvarint(b, uint64(d.loads))
	b = binary.AppendUvarint(b, uint64(d.unloads))
	b = binary.AppendUvarint(b, uint64(d.failed))
	b = d.encodeLists(b, base)
	b = appendCount(b, len(d.analog))
	for i := range d.analog {
		b = d.analog[i].encode(b)
	}
	b = appendCount(b, len(d.counters))
	for i := range d.counters {
		b = d.counters[i].encode(b, base)
	}
	b = d.bins.encode(b)
	b = d.ranBins.encode(b)
	b = d.ran.encode(b)
	b = encodeLows(b, d.lows, base)
	b = d.encodeDrops(b)
	b = d.power.encode(b)
	b = d.fraction.encode(b)
	b = encodeSum(d.flow.encode(b), d.flowFull)
	b = encodeMinutes(b, d.minutes, base)
	b = encodeEdges(b, d.edges, base)
	b = encodeSum(b, d.settled)
	b = encodeFound(d.encodeSlots(b), d.found, base)
	return d.encodeHealth(b)
}

func (d *delta) encodeLists(b []byte, base int64) []byte {
	mono := int64(0)
	rel := func(v int64) int64 { r := v - mono; mono = v; return r }
	b = appendCount(b, len(d.transitions))
	for _, t := range d.transitions {
		b = appendSigned(b, t.wall-base)
		b = appendSigned(b, rel(t.mono))
		b = append(b, byte(t.state))
		b = appendBool(b, t.fresh)
	}
	b = appendCount(b, len(d.gaps))
	for _, g := range d.gaps {
		b = appendSigned(b, g.from-base)
		b = appendSigned(b, g.to-base)
		b = append(b, byte(g.reason))
	}
	b = appendCount(b, len(d.starts))
	for _, s := range d.starts {
		b = appendSigned(b, s.wall-base)
		b = appendSigned(b, rel(s.mono))
		b = binary.AppendUvarint(b, uint64(s.segment))
		b = binary.AppendUvarint(b, uint64(s.restMS))
		b = append(b, byte(s.from))
		b = appendBool(b, s.afterLoss)
	}
	b = appendCount(b, len(d.cycles))
	for _, c := range d.cycles {
		b = appendSigned(b, c.loadWall-base)
		b = binary.AppendUvarint(b, uint64(c.loadMS))
		b = binary.AppendUvarint(b, uint64(c.unloadMS))
		b = append(b, c.end)
		b = append(b, flags(c.direct, c.hasPressure))
		if c.hasPressure {
			b = appendSigned(b, c.atLoad)
			b = appendSigned(b, c.atUnload)
			b = binary.AppendUvarint(b, uint64(c.loadStep))
			b = binary.AppendUvarint(b, uint64(c.unloadStep))
			b = appendSigned(b, c.minCounts)
			b = appendSigned(b, c.maxCounts)
		}
	}
	return encodeUnloads(b, d.falls, base)
}

func (a *analogSum) encode(b []byte) []byte {
	b = encodeSum(b, a.sum)
	b = binary.AppendUvarint(b, uint64(a.n))
	if a.n > 0 {
		b = appendSigned(b, a.min)
		b = binary.AppendUvarint(b, uint64(a.max-a.min))
	}
	return b
}

func (a *analogSum) decode(r *reader) {
	a.sum = decodeSum(r)
	if a.n = r.atLeastZero(); a.n > 0 {
		a.min = r.signed()
		a.max = a.min + int64(r.unsigned())
		if a.max < a.min {
			r.fail("bad extremes")
		}
	}
}

func encodeSum(b []byte, s sum) []byte {
	b = binary.AppendUvarint(b, uint64(s.ms))
	if s.ms > 0 {
		b = appendInt128(b, s.twice)
	}
	return b
}

func decodeSum(r *reader) (s sum) {
	if s.ms = r.atLeastZero(); s.ms > 0 {
		s.twice = r.int128()
	}
	return s
}

func (n *counterSum) encode(b []byte, base int64) []byte {
	b = binary.AppendUvarint(b, uint64(n.diff))
	b = binary.AppendUvarint(b, uint64(n.ms))
	b = binary.AppendUvarint(b, uint64(n.wraps))
	b = binary.AppendUvarint(b, uint64(n.resets))
	b = appendCount(b, len(n.gaps))
	for _, g := range n.gaps {
		b = appendSigned(b, g.from-base)
		b = appendSigned(b, g.to-base)
		b = binary.AppendUvarint(b, uint64(g.diff))
		b = appendBool(b, g.reset)
	}
	return b
}

// encode writes which states have sums, then those sums.
func (s *stateSums) encode(b []byte) []byte {
	var all, same uint64
	for i := range s.all {
		if s.all[i].ms > 0 {
			all |= 1 << i
		}
		if s.same[i].ms > 0 {
			same |= 1 << i
		}
	}
	b = binary.AppendUvarint(b, all)
	b = binary.AppendUvarint(b, same)
	for i := range s.all {
		if s.all[i].ms > 0 {
			b = encodeSum(b, s.all[i])
		}
	}
	for i := range s.same {
		if s.same[i].ms > 0 {
			b = encodeSum(b, s.same[i])
		}
	}
	return b
}

func (s *stateSums) decode(r *reader) {
	all, same := r.unsigned(), r.unsigned()
	if all >= 1<<numStates || same >= 1<<numStates {
		r.fail("bad states")
	}
	for i := range s.all {
		if all>>i&1 == 1 {
			if s.all[i] = decodeSum(r); s.all[i].ms == 0 {
				r.fail("empty sum")
			}
		}
	}
	for i := range s.same {
		if same>>i&1 == 1 {
			if s.same[i] = decodeSum(r); s.same[i].ms == 0 {
				r.fail("empty sum")
			}
		}
	}
}

// decodeDelta is the inverse of encode.
func decodeDelta(b []byte, base int64) (*delta, error) {
	d := &delta{}
	if err := d.decode(b, base); err != nil {
		return nil, err
	}
	return d, nil
}

// decode replaces d by what b says and reuses its memory.
func (d *delta) decode(b []byte, base int64) error {
	d.reset()
	r := &reader{b: b}
	d.scans = r.atLeastZero()
	for i := range d.stateMS {
		d.stateMS[i] = r.atLeastZero()
	}
	d.stops, d.loads, d.unloads, d.failed = r.atLeastZero(), r.atLeastZero(), r.atLeastZero(), r.atLeastZero()
	d.decodeLists(r, base)
	d.analog = resized(d.analog, r.count(2))
	for i := range d.analog {
		d.analog[i].decode(r)
	}
	d.counters = resized(d.counters, r.count(5))
	for i := range d.counters {
		d.counters[i].decode(r, base)
	}
	d.bins.decode(r)
	d.ranBins.decode(r)
	d.ran.decode(r)
	d.lows = decodeLows(d.lows, r, base)
	d.decodeDrops(r)
	d.power.decode(r)
	d.fraction.decode(r)
	d.flow.decode(r)
	d.flowFull = decodeSum(r)
	d.minutes = decodeMinutes(d.minutes, r, base)
	d.edges = decodeEdges(d.edges, r, base)
	d.settled = decodeSum(r)
	d.decodeSlots(r)
	d.found = decodeFound(d.found, r, base)
	d.decodeHealth(r)
	return r.end()
}

// resized gives a list of n empty elements.
func resized[T any](list []T, n int) []T {
	if n <= cap(list) {
		clear(list[:n])
		return list[:n]
	}
	return make([]T, n)
}

func (d *delta) decodeLists(r *reader, base int64) {
	mono := int64(0)
	abs := func() int64 { mono += r.signed(); return mono }
	for n := r.count(4); n > 0; n-- {
		t := transition{wall: r.signed() + base, mono: abs(), state: State(r.byteBelow(numStates))}
		t.fresh = r.bool()
		d.transitions = append(d.transitions, t)
	}
	for n := r.count(3); n > 0; n-- {
		g := gap{from: r.signed() + base, to: r.signed() + base}
		g.reason = scanReason(r)
		d.gaps = append(d.gaps, g)
	}
	for n := r.count(6); n > 0; n-- {
		s := start{wall: r.signed() + base, mono: abs()}
		s.segment = r.unsigned32()
		s.restMS = r.atLeastZero()
		s.from = State(r.byteBelow(numStates))
		s.afterLoss = r.bool()
		d.starts = append(d.starts, s)
	}
	for n := r.count(5); n > 0; n-- {
		c := cycle{loadWall: r.signed() + base, loadMS: r.atLeastZero(), unloadMS: r.atLeastZero()}
		c.end = r.byteBelow(endedByStop + 1)
		f := r.byteBelow(4)
		if c.direct, c.hasPressure = f&1 != 0, f&2 != 0; c.hasPressure {
			c.atLoad, c.atUnload, c.loadStep, c.unloadStep = r.signed(), r.signed(), r.atLeastZero(), r.atLeastZero()
			c.minCounts, c.maxCounts = r.signed(), r.signed()
		}
		d.cycles = append(d.cycles, c)
	}
	d.falls = decodeUnloads(d.falls, r, base)
}

func (n *counterSum) decode(r *reader, base int64) {
	n.diff, n.ms, n.wraps, n.resets = r.atLeastZero(), r.atLeastZero(), r.atLeastZero(), r.atLeastZero()
	for k := r.count(4); k > 0; k-- {
		g := counterGap{from: r.signed() + base, to: r.signed() + base, diff: r.atLeastZero()}
		g.reset = r.bool()
		n.gaps = append(n.gaps, g)
	}
}
