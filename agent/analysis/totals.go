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
	// StatesKnown is whether anything tells the machine's states, LoadKnown whether it
	// tells loaded from unloaded; without, what follows from them is zero.
	StatesKnown, LoadKnown bool
	StateS                 [numStates]float64 // seconds by State
	Starts                 int64
	LoadCycles             int64
	EnergyJ                float64 // by counter where there is one, else by power
	EnergyKnown            bool
	RunningJ               float64 // of it while the motor is on, by power; all where only a counter is read
	RunningKnown           bool
	AirM3                  float64 // by the method of air_delivered, of the nameplate where no meter counts it
	AirKnown               bool
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
	sp := sub.sp
	t := Totals{Starts: all.starts, LoadCycles: all.loads, StatesKnown: sp.hasStates, LoadKnown: sp.hasStates && !sp.runOnly}
	for i, ms := range all.stateMS {
		t.StateS[i] = float64(ms) / 1000
	}
	if ch := sp.find(scan.Energy); ch >= 0 {
		t.EnergyKnown = true
		if slot := sp.chans[ch].slot; slot < len(all.counters) {
			t.EnergyJ = float64(all.counters[slot]) * sp.chans[ch].countSI
		}
	} else if sp.drawsPower() {
		t.EnergyJ, t.EnergyKnown = sp.chans[sp.draw].integral(all.power).v, true
	}
	switch {
	case !sp.hasStates:
	case sp.drawsPower():
		t.RunningJ, t.RunningKnown = sp.chans[sp.draw].integral(all.running).v, true
	default:
		t.RunningJ, t.RunningKnown = t.EnergyJ, t.EnergyKnown
	}
	t.AirM3, t.AirKnown = sub.airTotal(site, m, &all)
	// A meter that reads less than nothing takes no air back.
	sub.airHigh = max(sub.airHigh, t.AirM3)
	t.AirM3 = sub.airHigh
	return t
}

// airTotal is what the figure air_delivered adds up to, but for what is learnt of a
// window (full-load flow, delivery delay, blow-down): a total stands on what is never
// known better.
func (sub *subject) airTotal(site *sitefile.Site, m *sitefile.Machine, all *tally) (m3 float64, known bool) {
	sp := sub.sp
	if flow := sp.find(scan.Flow); flow >= 0 && sp.chans[flow].unit.Dimension == quantity.Flow {
		c := &sp.chans[flow]
		if c.slot < len(all.analog) {
			m3 = c.integral(all.analog[c.slot]).v * totalRatio(site, c.unit.Basis)
		}
		return m3, true
	}
	if m.RatedFlowM3S <= 0 || !sp.hasStates || sp.runOnly || m.Control.PartLoad() && sp.fraction < 0 {
		return 0, false
	}
	full := float64(all.stateMS[Loaded]) / 1000
	if all.part.ms > 0 { // time at part load without a reading counts at the mean fraction
		full += float64(sp.chans[sp.fraction].mean(all.part).v*sp.fractionScale()) * float64(all.stateMS[PartLoad]) / 1000
	}
	undelivered := all.undeliveredMS + all.now.filledMS(sub.c.lastWall)
	return m.RatedFlowM3S * flowMiddle * max(0, full-float64(undelivered)/1000), true
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
