package analysis

import "encoding/binary"

func (s *settling) encode(b []byte, mono, wall int64) []byte {
	b = append(b, flags(s.on, s.fromLoad, s.kept, s.hasBefore, s.sump.has))
	if !s.on {
		return b
	}
	b = appendSigned(b, s.sinceMono-mono)
	b = appendSigned(b, s.sinceWall-wall)
	if s.hasBefore {
		b = appendSigned(b, s.before)
	}
	b = s.power.encode(b, mono)
	if s.sump.has {
		b = s.sump.encode(b, mono)
	}
	return b
}

func (s *settling) decode(r *reader, mono, wall int64) {
	f := r.byteBelow(32)
	s.on, s.fromLoad, s.kept, s.hasBefore = f&1 != 0, f&2 != 0, f&4 != 0, f&8 != 0
	if !s.on {
		if f != 0 {
			r.fail("flags without an unload")
		}
		return
	}
	s.sinceMono, s.sinceWall = r.signed()+mono, r.signed()+wall
	if s.hasBefore {
		s.before = r.signed()
	}
	s.power.decode(r, mono)
	if f&16 != 0 {
		s.sump.decode(r, mono)
		if !s.sump.has {
			r.fail("an unload without the sump pressure it has")
		}
	}
}

func (f *descent) encode(b []byte, mono int64) []byte {
	b = append(b, flags(f.has, f.hasMean, f.settled))
	if f.has {
		b = appendSigned(b, f.first)
	}
	b = appendSigned(b, f.blockMono-mono)
	b = encodeSum(b, f.block)
	if f.hasMean {
		b = appendSigned(b, f.mean)
	}
	b = encodeSum(b, f.level)
	b = append(b, byte(f.at))
	b = encodeSum(b, f.bin)
	b = binary.AppendUvarint(b, f.seen)
	last := f.first
	for i, mean := range f.means {
		if f.seen>>i&1 == 1 {
			b = appendSigned(b, mean-last)
			last = mean
		}
	}
	return b
}

func (f *descent) decode(r *reader, mono int64) {
	fl := r.byteBelow(8)
	f.has, f.hasMean, f.settled = fl&1 != 0, fl&2 != 0, fl&4 != 0
	if f.has {
		f.first = r.signed()
	}
	f.blockMono = r.signed() + mono
	f.block = decodeSum(r)
	if f.hasMean {
		f.mean = r.signed()
	}
	f.level = decodeSum(r)
	f.at = int(r.byteBelow(descentBins + 1))
	f.bin = decodeSum(r)
	if f.seen = r.unsigned(); f.seen >= 1<<descentBins {
		r.fail("an unload longer than is kept")
		return
	}
	last := f.first
	for i := range f.means {
		if f.seen>>i&1 == 1 {
			last += r.signed()
			f.means[i] = last
		}
	}
}

func encodeUnloads(b []byte, list []unload, base int64) []byte {
	b = appendCount(b, len(list))
	for i := range list {
		u := &list[i]
		b = appendSigned(b, u.wall-base)
		b = binary.AppendUvarint(b, uint64(u.ms))
		b = append(b, u.end|u.verdict<<2|flags(u.power.has, u.power.settled, u.sump.has, u.sump.settled)<<4)
		b = u.sump.encode(u.power.encode(b))
	}
	return b
}

func decodeUnloads(list []unload, r *reader, base int64) []unload {
	for n := r.count(3); n > 0; n-- {
		u := unload{wall: r.signed() + base, ms: r.atLeastZero()}
		f := r.byteBelow(255)
		u.end, u.verdict, f = f&3, f>>2&3, f>>4
		if u.end > endedByStop || u.verdict >= numVerdicts {
			r.fail("an unload of an unknown kind")
		}
		u.power.has, u.power.settled, u.sump.has, u.sump.settled = f&1 != 0, f&2 != 0, f&4 != 0, f&8 != 0
		u.power.decode(r)
		u.sump.decode(r)
		list = append(list, u)
	}
	return list
}

func (f *fallen) encode(b []byte) []byte {
	if !f.has {
		return b
	}
	b = appendSigned(b, f.first)
	b = appendSigned(b, f.first-f.last)
	return binary.AppendUvarint(b, uint64(f.ms))
}

func (f *fallen) decode(r *reader) {
	if !f.has {
		return
	}
	f.first = r.signed()
	f.last = f.first - r.signed()
	f.ms = r.atLeastZero()
}
