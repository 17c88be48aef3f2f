package analysis

import (
	"loadscribe/agent/quantity"
	"loadscribe/agent/scan"
)

// dropSettleMS is how long a machine must have delivered before its pressure
// drops count: until the sump has filled and the minimum-pressure valve is open,
// no air flows (common practice, no source).
const dropSettleMS = 15_000

// maxSquare bounds what a flow in counts may be squared from.
const maxSquare = 1 << 30

// dropRoles are summed while air flows: drops that are read, and the pressures
// whose differences are drops.
func dropRoles() []scan.Role {
	return []scan.Role{scan.SeparatorDrop, scan.FilterDrop, scan.DryerDrop, scan.SumpPressure, scan.DischargePressure, scan.ReceiverPressure}
}

// setDrops chooses a machine's channels of pressure drops, and the one that
// tells its flow: a meter, else its load fraction, since a drop goes with the
// square of the flow.
func (sp *spec) setDrops() {
	sp.dropAt = make([]int, len(sp.chans))
	for i := range sp.dropAt {
		sp.dropAt[i] = -1
	}
	if !sp.hasStates || sp.runOnly {
		return
	}
	for _, role := range dropRoles() {
		if ch := sp.find(role); ch >= 0 && sp.chans[ch].unit.Dimension == quantity.Pressure {
			sp.dropAt[ch] = sp.drops
			sp.drops++
		}
	}
	if ch := sp.find(scan.Flow); ch >= 0 && sp.chans[ch].unit.Dimension == quantity.Flow {
		sp.square = ch
	} else if sp.control.PartLoad() {
		sp.square = sp.fraction
	}
	if sp.square >= 0 && sp.chans[sp.square].offsetSI != 0 {
		sp.square = -1 // its square is not that of its counts
	}
}

// stepDrops adds a pair that ends with v to its drop, if air has flowed long
// enough at its start.
func (sp *spec) stepDrops(c *carry, d *delta, ch int, mono, v int64, p pair) {
	if ch >= len(sp.dropAt) || p.dt == 0 || sp.dropAt[ch] < 0 && ch != sp.square || !sp.stateAt(c, mono).delivering() {
		return
	}
	if mono-p.dt-c.deliversSince() < dropSettleMS {
		return
	}
	if k := sp.dropAt[ch]; k >= 0 {
		d.drops[k].add(p.twice, p.dt)
	}
	if ch == sp.square {
		if before := p.twice - v; apart(before, 0) <= maxSquare && apart(v, 0) <= maxSquare {
			d.squares.add(before*before+v*v, p.dt)
		}
	}
}

// deliversSince is when the air that is delivered began to flow, or the state was
// found so.
func (c *carry) deliversSince() int64 {
	if c.cycle.phase == 1 {
		return c.cycle.loadMono
	}
	return c.sinceMono
}

// stepFullFlow adds a pair of the machine's flow meter at full load.
func (sp *spec) stepFullFlow(c *carry, d *delta, p pair, mono int64) {
	full := c.tracks[sp.flow].state == Loaded && sp.stateAt(c, mono) == Loaded
	if full && p.dt > 0 && mono-p.dt-c.deliversSince() >= dropSettleMS {
		d.flowFull.add(p.twice, p.dt)
	}
}

func (d *delta) encodeDrops(b []byte) []byte {
	b = appendCount(b, len(d.drops))
	for _, s := range d.drops {
		b = encodeSum(b, s)
	}
	return encodeSum(b, d.squares)
}

func (d *delta) decodeDrops(r *reader) {
	d.drops = resized(d.drops, r.count(1))
	for i := range d.drops {
		d.drops[i] = decodeSum(r)
	}
	d.squares = decodeSum(r)
}
