package analysis

import "encoding/binary"

// encode appends e; wall times relative to a wall time near them.
func (e *edgeCarry) encode(b []byte, mono, wall int64) []byte {
	b = append(b, flags(e.filled, e.count > 0, e.open, e.load, e.hasCell))
	b = appendSigned(b, e.next)
	b = appendSigned(b, e.first-e.next)
	if e.filled {
		b = appendSigned(b, e.index-e.next)
		b = binary.AppendUvarint(b, uint64(e.n))
		b = binary.AppendUvarint(b, uint64(e.at))
		b = appendSigned(b, e.sum)
	}
	if e.count > 0 {
		b = append(b, byte(e.count))
		index, at, mean := e.next, int64(0), int64(0)
		for _, k := range e.blocks[:e.count] {
			b = appendSigned(b, k.index-index)
			b = appendSigned(b, k.at-at)
			b = appendSigned(b, k.mean-mean)
			index, at, mean = k.index+1, k.at, k.mean
		}
	}
	if e.open {
		b = appendSigned(b, e.wall-wall)
		b = appendSigned(b, e.mono-mono)
		b = binary.AppendUvarint(b, uint64(e.lateMS))
	}
	if e.hasCell {
		b = appendSigned(b, e.cell-wall)
		b = append(b, e.kept[0], e.kept[1])
	}
	return b
}

func (e *edgeCarry) decode(r *reader, mono, wall int64) {
	f := r.byteBelow(32)
	e.filled, e.open, e.load, e.hasCell = f&1 != 0, f&4 != 0, f&8 != 0, f&16 != 0
	if e.load && !e.open {
		r.fail("a load without an edge")
	}
	e.next = r.signed()
	e.first = e.next + r.signed()
	if e.filled {
		e.index = e.next + r.signed()
		e.n, e.at, e.sum = r.atLeastZero(), r.atLeastZero(), r.signed()
		if e.n == 0 {
			r.fail("a block without a reading")
		}
	}
	if f&2 != 0 {
		if e.count = int(r.byteBelow(maxBlocks + 1)); e.count == 0 {
			r.fail("an empty list of blocks")
		}
		index, at, mean := e.next, int64(0), int64(0)
		for i := range e.blocks[:e.count] {
			k := &e.blocks[i]
			k.index, k.at, k.mean = index+r.signed(), at+r.signed(), mean+r.signed()
			index, at, mean = k.index+1, k.at, k.mean
		}
	}
	if e.open {
		e.wall, e.mono, e.lateMS = r.signed()+wall, r.signed()+mono, r.atLeastZero()
	}
	if e.hasCell {
		e.cell = r.signed() + wall
		e.kept = [2]uint8{r.byteBelow(profilesPerCell + 1), r.byteBelow(profilesPerCell + 1)}
	}
}

func encodeEdges(b []byte, edges []airEdge, base int64) []byte {
	b = appendCount(b, len(edges))
	for i := range edges {
		e := &edges[i]
		b = appendBool(b, e.load)
		b = appendSigned(b, e.wall-base)
		b = binary.AppendUvarint(b, uint64(e.lateMS))
		b = encodePoints(encodePoints(b, e.before()), e.after())
	}
	return b
}

// encodePoints writes differences, those of the times from the last one.
func encodePoints(b []byte, points []edgePoint) []byte {
	b = appendCount(b, len(points))
	var last edgePoint
	step := int64(0)
	for _, p := range points {
		b = appendSigned(b, p.ms-last.ms-step)
		b = appendSigned(b, p.mean-last.mean)
		step, last = p.ms-last.ms, p
	}
	return b
}

func decodeEdges(list []airEdge, r *reader, base int64) []airEdge {
	list = list[:0]
	for n := r.count(5); n > 0; n-- {
		e := airEdge{load: r.bool(), wall: r.signed() + base, lateMS: r.atLeastZero()}
		e.befores = decodePoints(r, e.points[:profileBlocks])
		e.afters = decodePoints(r, e.points[e.befores:e.befores+profileBlocks])
		list = append(list, e)
	}
	return list
}

func decodePoints(r *reader, points []edgePoint) uint8 {
	n := r.count(2)
	if n > len(points) {
		r.fail("a profile longer than is kept")
		return 0
	}
	var last edgePoint
	step := int64(0)
	for i := range points[:n] {
		p := edgePoint{ms: last.ms + step + r.signed(), mean: last.mean + r.signed()}
		step, last, points[i] = p.ms-last.ms, p, p
	}
	return uint8(n)
}
