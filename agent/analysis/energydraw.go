package analysis

import (
	"encoding/binary"
	"math"
	"strings"

	"loadscribe/agent/quantity"
	"loadscribe/agent/scan"
)

// What a machine draws is summed by state in delta.power. The channel for it is
// the power where it is metered, else power reckoned scan by scan from volts,
// amperes and power factor, else the motor's current, of which the query makes
// a power.

// reckoned is active power that is made of other channels at each reading of
// the lead: √3·U·I·cosφ, or S·cosφ.
type reckoned struct {
	ch    int   // its place in chans
	lead  int   // motor current, or apparent power
	pf    int   // power factor
	volts []int // line to line, whichever are read; none where lead is apparent power
}

// reckonedStepW is the fixed point of reckoned power.
const reckonedStepW = 0.1

// setDraw chooses the channel that delta.power sums.
func (sp *spec) setDraw() {
	sp.energy = sp.find(scan.Energy)
	if sp.draw = sp.power; sp.draw >= 0 {
		return
	}
	if sp.reckon = sp.reckonable(); sp.reckon != nil {
		sp.draw = sp.reckon.ch
		return
	}
	sp.draw = sp.current
}

// reckonable finds the channels that power can be made of, and adds its own.
func (sp *spec) reckonable() *reckoned {
	r := &reckoned{lead: sp.find(scan.ApparentPower), pf: sp.find(scan.PowerFactor)}
	if r.pf < 0 {
		return nil
	}
	if r.lead < 0 {
		for _, role := range []scan.Role{scan.VoltageAB, scan.VoltageBC, scan.VoltageCA} {
			if ch := sp.find(role); ch >= 0 {
				r.volts = append(r.volts, ch)
			}
		}
		if r.lead = sp.current; r.lead < 0 || len(r.volts) == 0 {
			return nil
		}
	}
	lead := &sp.chans[r.lead]
	names := []string{lead.id}
	given := lead.accuracyGiven
	for _, ch := range append(append([]int(nil), r.volts...), r.pf) {
		names = append(names, sp.chans[ch].id)
		given = given && sp.chans[ch].accuracyGiven
	}
	r.ch = sp.add(chanSpec{role: scan.Power, id: strings.Join(names, " × "), kind: scan.KindInt, gapMS: lead.gapMS,
		periodMS: lead.periodMS, countSI: reckonedStepW, unit: quantity.Unit{Symbol: "W", Dimension: quantity.Power, Scale: 1},
		accuracyGiven: given})
	return r
}

// drawsPower reports whether delta.power holds a power, not a current.
func (sp *spec) drawsPower() bool { return sp.draw >= 0 && (sp.power >= 0 || sp.reckon != nil) }

// reckonedCounts is the power at a reading of the lead; ok is false where one
// of the other values is missing or no longer held. The power factor's sign is
// left out: meters use it for leading and lagging as well as for direction.
func (sp *spec) reckonedCounts(c *carry, mono int64) (counts int64, ok bool) {
	r := sp.reckon
	if !sp.held(c, r.pf, mono) {
		return 0, false
	}
	w := float64(sp.held1(c, r.lead) * math.Abs(sp.held1(c, r.pf)) * sp.factorScale(r.pf))
	if len(r.volts) > 0 {
		var u float64
		for _, ch := range r.volts {
			if !sp.held(c, ch, mono) {
				return 0, false
			}
			u += sp.held1(c, ch)
		}
		w = float64(w * float64(math.Sqrt(3)*u/float64(len(r.volts))))
	}
	f := math.RoundToEven(w / reckonedStepW)
	if !(math.Abs(f) < maxCounts) {
		return 0, false
	}
	return int64(f), true
}

// held1 is a channel's last value in SI.
func (sp *spec) held1(c *carry, ch int) float64 {
	return sp.chans[ch].si(float64(c.tracks[ch].counts))
}

// factorScale brings a power factor that is written as a plain number to 100
// to a share. One from -1 to 1 has a span of 2.
func (sp *spec) factorScale(ch int) float64 {
	if c := &sp.chans[ch]; c.unit.Dimension == quantity.Plain && c.spanSI > 2.5 {
		return 0.01
	}
	return 1
}

// stepReckoned makes and folds a reading of reckoned power.
func (sp *spec) stepReckoned(c *carry, d *delta, s *scan.Scan, gapMS int64) pair {
	v, ok := sp.reckonedCounts(c, s.MonoMS)
	if !ok {
		return pair{}
	}
	t := &c.tracks[sp.reckon.ch]
	got := sp.stepAnalog(c, d, sp.reckon.ch, t, s, v, gapMS)
	t.take(s, v, gapMS)
	return got
}

// A cell has three slots of five minutes, for demand windows that are not whole
// quarter hours and for those that roll.
const (
	slotMS       = 300_000
	slotsPerCell = cellMS / slotMS
)

// slotSum is what demand needs of five minutes of clock time. A pair belongs to
// the slot of its later scan.
type slotSum struct {
	all, running, unloaded sum // of the draw channel
	counter, counterMS     int64
}

func (s *slotSum) merge(o *slotSum) {
	s.all.merge(o.all)
	s.running.merge(o.running)
	s.unloaded.merge(o.unloaded)
	s.counter += o.counter
	s.counterMS += o.counterMS
}

// add takes a pair of the draw channel and the state that held at its start.
func (s *slotSum) add(p pair, st State) {
	s.all.add(p.twice, p.dt)
	if st.Running() {
		s.running.add(p.twice, p.dt)
	}
	if st == Unloaded {
		s.unloaded.add(p.twice, p.dt)
	}
}

func slotOf(wallMS int64) int { return int(mod(wallMS, cellMS) / slotMS) }

// encodeSlots writes the sums of the first two slots: with those of the whole
// cell they give the third.
func (d *delta) encodeSlots(b []byte) []byte {
	for i := range d.slots {
		b = binary.AppendUvarint(b, uint64(d.slots[i].counter))
		b = binary.AppendUvarint(b, uint64(d.slots[i].counterMS))
		if i == slotsPerCell-1 {
			break
		}
		b = encodeSum(b, d.slots[i].all)
		b = encodeSum(b, d.slots[i].running)
		b = encodeSum(b, d.slots[i].unloaded)
	}
	return b
}

// decodeSlots needs d.power.
func (d *delta) decodeSlots(r *reader) {
	var left slotSum
	for st := range d.power.all {
		left.all.merge(d.power.all[st])
		if State(st).Running() {
			left.running.merge(d.power.all[st])
		}
	}
	left.unloaded = d.power.all[Unloaded]
	for i := range d.slots {
		s := &d.slots[i]
		s.counter, s.counterMS = r.atLeastZero(), r.atLeastZero()
		if i == slotsPerCell-1 {
			s.all, s.running, s.unloaded = left.all, left.running, left.unloaded
			break
		}
		s.all, s.running, s.unloaded = decodeSum(r), decodeSum(r), decodeSum(r)
		left.all.takeOff(s.all)
		left.running.takeOff(s.running)
		left.unloaded.takeOff(s.unloaded)
	}
}

func (s *sum) takeOff(o sum) {
	s.twice = s.twice.Add(o.twice.Neg())
	s.ms -= o.ms
}
