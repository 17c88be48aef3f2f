package analysis

import (
	"loadscribe/agent/quantity"
	"loadscribe/agent/scan"
)

// healthSum is one channel of a machine's health over the time that the motor
// ran, and over the part of it in which air flowed.
type healthSum struct{ running, flowing sum }

func (h *healthSum) merge(o *healthSum) {
	h.running.merge(o.running)
	h.flowing.merge(o.flowing)
}

// healthRoles are summed while the motor runs, where they are read.
func healthRoles() []scan.Role {
	return []scan.Role{scan.DischargePressure, scan.SumpPressure, scan.DischargeTemperature, scan.OilTemperature,
		scan.AmbientTemperature, scan.AmbientHumidity, scan.AftercoolerTemp,
		scan.VoltageAB, scan.VoltageBC, scan.VoltageCA, scan.SeparatorDrop}
}

// setHealth chooses the channels that tell a machine's health. The binList of
// temperature is of the discharge, where the oil meets the wet air; of the oil
// where that alone is read.
func (sp *spec) setHealth() {
	sp.healthAt = make([]int, len(sp.chans))
	for i := range sp.healthAt {
		sp.healthAt[i] = -1
	}
	if !sp.hasStates {
		return
	}
	for _, role := range healthRoles() {
		if ch := sp.find(role); ch >= 0 && sp.chans[ch].class == classAnalog {
			sp.healthAt[ch] = len(sp.health)
			sp.health = append(sp.health, ch)
		}
	}
	for _, role := range []scan.Role{scan.OilTemperature, scan.DischargeTemperature} {
		if ch := sp.find(role); ch >= 0 && sp.chans[ch].unit.Dimension == quantity.Temperature && sp.chans[ch].countSI > 0 {
			sp.warm = ch
		}
	}
	const leastBinK = 0.4
	if sp.warm >= 0 {
		sp.warmShift = binShift(sp.chans[sp.warm].countSI, leastBinK)
	}
}

// stepHealth adds a pair that ends with v to the state that held at its start.
func (sp *spec) stepHealth(d *delta, ch int, t *track, v int64, p pair) {
	if ch >= len(sp.healthAt) { // the system's tap, which tells nothing of its health
		return
	}
	at := sp.healthAt[ch]
	if at < 0 || p.dt == 0 || !t.state.Running() {
		return
	}
	h := &d.health[at]
	h.running.add(p.twice, p.dt)
	if !t.state.delivering() {
		return
	}
	h.flowing.add(p.twice, p.dt)
	if ch == sp.warm {
		d.warmth.add(t.counts>>sp.warmShift, p.dt)
		d.warmth.add(v>>sp.warmShift, p.dt)
	}
}

// addHealth adds what trends and the dew point need of each cell.
func (p *cellParts) addHealth(d *delta) {
	for i := range d.health {
		if d.health[i].running.ms == 0 {
			continue
		}
		if p.health == nil {
			p.health = make([]healthSum, len(d.health))
		}
		p.health[i].merge(&d.health[i])
	}
	for i := range d.drops {
		if d.drops[i].ms == 0 {
			continue
		}
		if p.drops == nil {
			p.drops = make([]sum, len(d.drops))
		}
		p.drops[i].merge(d.drops[i])
	}
	p.squares.merge(d.squares)
	p.warmth.merge(d.warmth)
	for st := range d.fraction.all {
		if State(st).Running() {
			p.fraction.merge(d.fraction.all[st])
		}
	}
}

func (d *delta) encodeHealth(b []byte) []byte {
	b = appendCount(b, len(d.health))
	for i := range d.health {
		h := &d.health[i]
		b = encodeSum(b, h.running)
		if h.running.ms > 0 {
			b = encodeSum(b, h.flowing)
		}
	}
	return d.warmth.encode(b)
}

func (d *delta) decodeHealth(r *reader) {
	d.health = resized(d.health, r.count(1))
	for i := range d.health {
		h := &d.health[i]
		if h.running = decodeSum(r); h.running.ms > 0 {
			h.flowing = decodeSum(r)
		}
	}
	d.warmth.decode(r)
}
