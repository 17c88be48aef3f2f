package analysis

import (
	"loadscribe/agent/air"
	"loadscribe/agent/quantity"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// Totals is what one machine has added up since the store began. Nothing in it
// ever falls. Values in SI.
type Totals struct {
	StateS      [numStates]float64 // seconds by State
	Starts      int64
	LoadCycles  int64
	EnergyJ     float64 // by counter where there is one, else by power
	EnergyKnown bool
	AirM3       float64 // by the method of air_delivered
	AirKnown    bool
}

// Totals returns the machine's totals; ok is false for a machine that the site
// does not have.
func (f *Folder) Totals(machine *sitefile.Machine) (t Totals, ok bool) {
	f.mu.Lock()
	defer f.mu.Unlock()
	for _, sub := range f.subjects {
		if !sub.sp.system && sub.sp.name == machine.Name {
			return sub.totals(f.site, machine), true
		}
	}
	return Totals{}, false
}

func (sub *subject) totals(site *sitefile.Site, m *sitefile.Machine) Totals {
	all := sub.total.clone()
	if sub.open {
		all.add(sub.d)
	}
	t := Totals{Starts: all.starts, LoadCycles: all.loads}
	for i, ms := range all.stateMS {
		t.StateS[i] = float64(ms) / 1000
	}
	sp := sub.sp
	if ch := sp.find(scan.Energy); ch >= 0 {
		t.EnergyKnown = true
		if slot := sp.chans[ch].slot; slot < len(all.counters) {
			t.EnergyJ = float64(all.counters[slot]) * sp.chans[ch].countSI
		}
	} else if sp.drawsPower() {
		t.EnergyJ, t.EnergyKnown = sp.chans[sp.draw].integral(all.power).v, true
	}
	flow := sp.find(scan.Flow)
	switch {
	case flow >= 0 && sp.chans[flow].unit.Dimension == quantity.Flow:
		t.AirKnown = true
		if slot := sp.chans[flow].slot; slot < len(all.analog) {
			t.AirM3 = sp.chans[flow].integral(all.analog[slot]).v * totalRatio(site, sp.chans[flow].unit.Basis)
		}
	case m.RatedFlowM3S > 0 && sp.hasStates && !sp.runOnly && !m.Control.PartLoad():
		loadedS := max(0, t.StateS[Loaded]-float64(float64(all.loads)*deliveryDelayS))
		t.AirM3, t.AirKnown = m.RatedFlowM3S*flowMiddle*loadedS, true
	}
	// A load takes its delivery delay off before its first air is counted; a
	// total must not fall for that.
	sub.airHigh = max(sub.airHigh, t.AirM3)
	t.AirM3 = sub.airHigh
	return t
}

// totalRatio is what one cubic metre in a basis adds to a total, as free air at the
// inlet: one condition for all time, since a mean that changes would make the total
// fall.
func totalRatio(site *sitefile.Site, b quantity.FlowBasis) float64 {
	from, ok := air.Reference(b, site.Scfm())
	if !ok {
		return 1
	}
	return from.VolumeAt(air.Condition{PressurePa: site.BarometerPa, TemperatureK: air.InletMiddleK, Humidity: inletHumidity})
}

// clone copies t so that the copy can be added to.
func (t *tally) clone() tally {
	c := *t
	c.counters = append([]int64(nil), t.counters...)
	c.analog = append([]sum(nil), t.analog...)
	return c
}
