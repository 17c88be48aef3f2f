package analysis

import (
	"encoding/binary"

	"loadscribe/agent/quantity"
	"loadscribe/agent/scan"
)

// minuteMark is one minute of wall time, for balances of air. A pair of
// readings belongs to the minute of its later one.
type minuteMark struct {
	at          int64 // wall time at which the minute begins
	seenMS      int64 // observed time of the master
	hasPressure bool
	pressure    int64 // at the minute's beginning, sixteenths of a count
	flow        sum   // of the flow channel
	fraction    sum   // of load, while the machine delivered
}

// minuteOf is the beginning of the minute that holds a wall time.
func minuteOf(wallMS int64) int64 {
	q := wallMS / minuteMS
	if wallMS%minuteMS < 0 {
		q--
	}
	return q * minuteMS
}

// setMinutes chooses what minutes are kept of: a machine or a system of which
// anything tells its air.
func (sp *spec) setMinutes() {
	if ch := sp.find(scan.Flow); ch >= 0 && sp.chans[ch].unit.Dimension == quantity.Flow {
		sp.flow = ch
	}
	sp.minutes = sp.flow >= 0 || sp.pressure >= 0 || sp.hasStates
}

// minute is the mark of the minute that holds a wall time. Where the clock was
// set back a minute comes a second time.
func (d *delta) minute(wallMS int64) *minuteMark {
	at := minuteOf(wallMS)
	if n := len(d.minutes); n == 0 || d.minutes[n-1].at != at {
		d.minutes = append(d.minutes, minuteMark{at: at})
	}
	return &d.minutes[len(d.minutes)-1]
}

// stepMinutes takes a scan's pairs. The track of a pair's channel holds the
// later reading by now.
func (sp *spec) stepMinutes(c *carry, d *delta, s *scan.Scan, pressure, flow, fraction pair) {
	if pressure.dt > 0 {
		// The pressure at the minute's beginning lies on the line between the
		// readings on both sides of it.
		if after := s.WallMS - minuteOf(s.WallMS); after < pressure.dt {
			m := d.minute(s.WallMS)
			if !m.hasPressure {
				later := clamped(c.tracks[sp.pressure].counts)
				earlier := clamped(pressure.twice - c.tracks[sp.pressure].counts)
				back := MulInt64(16*(later-earlier), after).divInt64(pressure.dt)
				m.hasPressure, m.pressure = true, 16*later-back
			}
		}
	}
	if flow.dt > 0 {
		d.minute(s.WallMS).flow.add(flow.twice, flow.dt)
	}
	if fraction.dt > 0 && c.tracks[sp.fraction].state.delivering() {
		d.minute(s.WallMS).fraction.add(fraction.twice, fraction.dt)
	}
}

// mergeMinutes appends marks. A minute that was cut is put together again.
func (d *delta) mergeMinutes(more []minuteMark) {
	if n := len(d.minutes); n > 0 && len(more) > 0 && d.minutes[n-1].at == more[0].at {
		m, o := &d.minutes[n-1], &more[0]
		m.seenMS += o.seenMS
		m.flow.merge(o.flow)
		m.fraction.merge(o.fraction)
		if !m.hasPressure {
			m.hasPressure, m.pressure = o.hasPressure, o.pressure
		}
		more = more[1:]
	}
	d.minutes = append(d.minutes, more...)
}

// Flags of a minute's bytes.
const (
	minuteFollows  = 1 << iota // on the one before it, the first on the cell's beginning
	minuteWhole                // all of it was observed
	minutePressure             // it has a pressure
	minuteFlow
	minuteFlowWhole // the flow is known all through
	minuteFraction
	minuteFlags = 1<<iota - 1
)

func (m *minuteMark) flags(follows int64) byte {
	return flags(m.at == follows, m.seenMS == minuteMS, m.hasPressure, m.flow.ms > 0, m.flow.ms == minuteMS, m.fraction.ms > 0)
}

// maxMinutes bounds how far apart two marks may be.
const maxMinutes = 1 << 40

// encodeMinutes writes what a minute has, as differences from the one before.
func encodeMinutes(b []byte, minutes []minuteMark, base int64) []byte {
	b = appendCount(b, len(minutes))
	follows, pressure, flow := minuteOf(base), int64(0), Int128{}
	for i := range minutes {
		m := &minutes[i]
		f := m.flags(follows)
		b = append(b, f)
		if f&minuteFollows == 0 {
			b = appendSigned(b, (m.at-follows)/minuteMS)
		}
		follows = m.at + minuteMS
		if f&minuteWhole == 0 {
			b = binary.AppendUvarint(b, uint64(m.seenMS))
		}
		if m.hasPressure {
			b = appendSigned(b, m.pressure-pressure)
			pressure = m.pressure
		}
		if m.flow.ms > 0 {
			if f&minuteFlowWhole == 0 {
				b = binary.AppendUvarint(b, uint64(m.flow.ms))
			}
			b = appendInt128(b, m.flow.twice.Add(flow.Neg()))
			flow = m.flow.twice
		}
		if m.fraction.ms > 0 {
			b = encodeSum(b, m.fraction)
		}
	}
	return b
}

func decodeMinutes(list []minuteMark, r *reader, base int64) []minuteMark {
	list = list[:0]
	follows, pressure, flow := minuteOf(base), int64(0), Int128{}
	for n := r.count(1); n > 0; n-- {
		m := minuteMark{at: follows, seenMS: minuteMS}
		f := r.byteBelow(minuteFlags + 1)
		if f&minuteFollows == 0 {
			away := r.signed()
			if away < -maxMinutes || away > maxMinutes {
				r.fail("a minute out of time")
				return list
			}
			m.at += away * minuteMS
		}
		if f&minuteWhole == 0 {
			m.seenMS = r.atLeastZero()
		}
		if m.hasPressure = f&minutePressure != 0; m.hasPressure {
			pressure += r.signed()
			m.pressure = pressure
		}
		if f&minuteFlow != 0 {
			if m.flow.ms = minuteMS; f&minuteFlowWhole == 0 {
				m.flow.ms = r.atLeastZero()
			}
			flow = flow.Add(r.int128())
			m.flow.twice = flow
		}
		if f&minuteFraction != 0 {
			m.fraction = decodeSum(r)
		}
		if m.flags(follows) != f {
			r.fail("a minute not as it is written")
			return list
		}
		follows = m.at + minuteMS
		list = append(list, m)
	}
	return list
}
