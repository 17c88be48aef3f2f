package replay

import (
	"fmt"
	"math"
	"strings"

	"loadscribe/agent/gum"
	"loadscribe/agent/quantity"
)

// Beyond these the replay with the present settings is called poor.
const (
	poorEnergy = 0.05
	poorLoads  = 0.15
	poorBand   = 0.5 // of the narrowest band, rms
	fewTurns   = 20  // of so few a share says nothing
)

// makeFit holds the replay with the present settings to what was measured.
func (e *evaluation) makeFit() Fit {
	rec := &e.st.rec
	var f Fit
	starts, loads := e.counts.starts, e.counts.loads
	n := &e.present.nominal
	if e.metered {
		f.EnergyShare = n[mEnergyJ]/e.energy.V - 1
	}
	f.Starts = n[mStarts] - starts
	f.startsShare = f.Starts / max(1, starts)
	if loads > 0 {
		f.Loads = n[mLoads]/loads - 1
	}
	if low := rec.Measured.LowestPa.V; !math.IsNaN(low) && !math.IsNaN(n[mLowestPa]) {
		f.LowestOffPa = n[mLowestPa] - low
	}
	f.PressureRMSPa = e.pressureRMS()
	f.judge(e, loads)
	return f
}

// judge says in words how good it is.
func (f *Fit) judge(e *evaluation, loads float64) {
	var poor []string
	if math.Abs(f.EnergyShare) > poorEnergy {
		poor = append(poor, "its energy")
	}
	if loads >= fewTurns && math.Abs(f.Loads) > poorLoads {
		poor = append(poor, "its load cycles")
	}
	if band := e.st.narrowestBand(); band > 0 && f.PressureRMSPa > poorBand*band {
		poor = append(poor, "its pressure")
	}
	units := e.st.site.Units
	said := fmt.Sprintf("load cycles %+.1f %%, starts %+.0f, pressure at the minutes' ends within %s rms, lowest pressure off by %s",
		100*f.Loads, f.Starts, difference(f.PressureRMSPa, units), difference(f.LowestOffPa, units))
	if e.metered {
		said = fmt.Sprintf("energy %+.1f %%, ", 100*f.EnergyShare) + said
	} else {
		said += "; its energy is not measured: " + e.st.rec.Measured.EnergyBasis
	}
	f.Poor = len(poor) > 0
	f.Words = fmt.Sprintf("the replay with the present settings meets what was measured, within %g %% of the energy, %g %% of the load cycles and half a band of pressure: ",
		100*poorEnergy, 100*poorLoads) + said
	if f.Poor {
		f.Words = "POOR: the replay with the present settings does not meet what was measured in " + strings.Join(poor, " and ") +
			"; all intervals are widened by it, and no decision should rest on this week alone. " + said + e.st.sameBands()
	}
}

// sameBandPa is what two bands that are seen the same lie apart at most.
const sameBandPa = 3_000

// sameBands says which machines show one band, and what that may mean.
func (st *Study) sameBands() string {
	for i := range st.base.units {
		for k := range i {
			a, b := &st.base.units[k], &st.base.units[i]
			if a.control.PartLoad() || b.control.PartLoad() ||
				math.Abs(a.cutIn.V-b.cutIn.V) > sameBandPa || math.Abs(a.cutOut.V-b.cutOut.V) > sameBandPa {
				continue
			}
			return fmt.Sprintf("; %s and %s show the same band: of machines that take turns each shows the first one's, and the replay loads both at once; ask for a window in which one of them was the first all through", a.name, b.name)
		}
	}
	return ""
}

// difference is a difference of pressures for people.
func difference(pa float64, units quantity.System) string {
	u := units.Unit(quantity.Pressure)
	return fmt.Sprintf("%.2g %s", pa/u.Scale, u.Symbol)
}

// narrowestBand of the machines, Pa.
func (st *Study) narrowestBand() float64 {
	band := math.Inf(1)
	for i := range st.base.units {
		if w := st.base.units[i].cutOut.V - st.base.units[i].cutIn.V; w > 0 {
			band = min(band, w)
		}
	}
	if math.IsInf(band, 1) {
		return 0
	}
	return band
}

// pressureRMS is how far the present run lies from the measured pressure at the
// minutes' ends.
func (e *evaluation) pressureRMS() float64 {
	trace := e.present.result.Trace
	var sum, n float64
	k := 0
	for _, run := range e.st.runs {
		for _, m := range e.st.rec.Minutes[run.from:run.to] {
			at := e.st.seconds(m.StartMS) + minuteS
			for k+1 < len(trace) && trace[k+1].AtS <= at && !(trace[k+1].Break && trace[k+1].AtS == at) {
				k++
			}
			pa := trace[k].Pa
			if k+1 < len(trace) && !trace[k+1].Break && trace[k+1].AtS > trace[k].AtS {
				pa += (trace[k+1].Pa - pa) * (at - trace[k].AtS) / (trace[k+1].AtS - trace[k].AtS)
			}
			sum += (pa - m.EndPa) * (pa - m.EndPa)
			n++
		}
	}
	if n == 0 {
		return 0
	}
	return math.Sqrt(sum / n)
}

// calibrated lists what the replay rests on.
func (st *Study) calibrated() []Calibrated {
	all := []Calibrated{}
	put := func(machine, name, unit string, v gum.Value, basis string) {
		if v.V == 0 && v.U() == 0 && basis == "" {
			return
		}
		all = append(all, Calibrated{machine, name, v.V, coverageFactor * v.U(), unit, basis})
	}
	if st.rec.Absent != "" {
		return all
	}
	put("", "mean demand", "m³/s", st.rec.MeanDemand, st.rec.Method)
	put("", "volume that follows the pressure", "m³", st.rec.Volume, "")
	put("", "share of the demand that goes with the pressure", "1", st.rec.FollowShare, st.rec.FollowBasis)
	if st.rec.LeakAbsent == "" {
		put("", "leaks", "m³/s", st.rec.Leak, "what flows in quiet hours")
	}
	for i := range st.base.units {
		u := &st.base.units[i]
		basis := st.rec.Machines[u.from].Basis
		for _, c := range u.named() {
			from := basis[c.key]
			if from == "" {
				from = c.otherwise
			}
			put(u.name, c.name, c.unit, c.v, from)
		}
	}
	return all
}

// measured is what really happened over the replayed minutes.
func (e *evaluation) measured() Outcome {
	rec := &e.st.rec
	was := &rec.Measured
	var o Outcome
	if e.metered {
		o.Energy = amount(was.Energy.Scaled(1 / kWh))
	} else {
		o.Energy.Note = was.EnergyBasis
	}
	var worst float64
	for i := range was.ByMachine {
		d := &was.ByMachine[i]
		worst = max(worst, float64(d.StartsHourMax))
		m := MachineOutcome{Machine: rec.Machines[i].Machine.Name, EnergyKWh: d.Energy.V / kWh,
			StateKWh: map[string]float64{}, StateS: map[string]float64{}, Starts: d.Starts, Loads: d.Loads}
		for s, seconds := range d.StateS {
			m.StateS[s.String()] = seconds
		}
		for s, joules := range d.StateJ {
			m.StateKWh[s.String()] = joules / kWh
		}
		o.Machines = append(o.Machines, m)
	}
	counted := func(v float64) Amount { return Amount{Value: &v} }
	o.Starts, o.Loads, o.StartsHourMax = counted(e.counts.starts), counted(e.counts.loads), counted(worst)
	o.LoadsHour = counted(e.counts.loadsHour)
	o.LowestPa, o.MeanPa = Amount{Note: "no shift lies in the window"}, amount(was.MeanPa)
	if !math.IsNaN(was.LowestPa.V) {
		o.LowestPa = amount(was.LowestPa)
		o.LowestPa.Note = "of the readings, or of the minutes' ends where there are no others of the stores"
	}
	if rec.MinimumPa > 0 {
		o.BelowS = counted(was.BelowS)
		o.ShortS = was.BelowS
	}
	if air := rec.MeanDemand.Scaled(minuteS * float64(len(rec.Minutes))); air.V > 0 && e.metered {
		o.SpecificPower = amount(was.Energy.Over(air))
	}
	return o
}
