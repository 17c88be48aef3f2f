package airtruth

import (
	"math"
	"slices"
	"time"

	"loadscribe/simulator"
)

// flowPerPa is the share of its flow that a screw loses to a Pa of pressure.
const flowPerPa = 0.008 / 1e5

// settle is how long after the begin of a load, and before its end, a whole
// minute must lie to count as full load: the sump has filled by then.
const settle = 30 * time.Second

// wakes is how long a device is silent after the supply is back.
const wakes = 8 * time.Second

// machineTruth are the true values of one machine's figures, in their units;
// NaN: there is none.
type machineTruth struct {
	energyKWh, duty, airM3, flowMean      float64
	fullFlow, delayS                      float64
	specific, specificLoaded, specificKWh float64
	specificRated, isentropic             float64
}

// machine works out a machine's truth over the window.
func (p *Played) machine(name string) (machineTruth, error) {
	truth := p.World.Truth()
	sum, err := truth.Totals(name, p.From, p.To)
	if err != nil {
		return machineTruth{}, err
	}
	m := machineTruth{
		energyKWh: sum.EnergyJ / 3.6e6,
		airM3:     sum.DeliveredM3,
		flowMean:  sum.DeliveredM3 / p.seen().Minutes(),
		duty:      ratio(sum.States[simulator.Loaded].Seconds(), sum.Running().Seconds()),
		specific:  ratio(sum.EnergyJ, sum.DeliveredM3) / 60e3,
	}
	m.specificKWh = m.specific / 60
	full, err := p.fullLoad(name)
	if err != nil {
		return m, err
	}
	spec := p.spec(name)
	rated, err := truth.TrueFlowM3S(name)
	if err != nil {
		return m, err
	}
	if math.IsNaN(full.flowM3S) {
		// By the screw's equation in docs/simulator.md, in the middle of its band.
		full.flowM3S = rated * (1 - flowPerPa*((spec.CutInPa+spec.CutOutPa)/2-spec.RatedPressurePa))
	}
	m.fullFlow = full.flowM3S * 60
	m.specificLoaded = ratio(sum.StateJ[simulator.Loaded], sum.States[simulator.Loaded].Seconds()) / full.flowM3S / 60e3
	m.specificRated = spec.RatedPowerW / rated / 60e3
	m.isentropic = full.isentropicW / full.powerW
	delays, err := truth.DeliveryDelays(name, p.From, p.To)
	if err != nil {
		return m, err
	}
	m.delayS = missing(delays)
	return m, nil
}

func (p *Played) spec(name string) *simulator.Machine {
	machines := p.World.Scenario().Machines
	i := slices.IndexFunc(machines, func(m simulator.Machine) bool { return m.Name == name })
	return &machines[i]
}

// seen is the window less the time in which no device answered.
func (p *Played) seen() time.Duration {
	d := p.To.Sub(p.From)
	for _, o := range p.World.Truth().Outages(p.From, p.To) {
		d -= o.To.Sub(o.From) + wakes
	}
	return d
}

// atFullLoad is what a machine did in whole minutes of full load: there the
// truth's integrals are exact.
type atFullLoad struct {
	seconds, flowM3S, powerW, isentropicW float64
}

const kappa = 1.4 // of air

// fullLoad sums them; NaN where the machine was never at full load for so long.
func (p *Played) fullLoad(name string) (atFullLoad, error) {
	truth := p.World.Truth()
	f := atFullLoad{flowM3S: math.NaN(), powerW: math.NaN(), isentropicW: math.NaN()}
	list, err := truth.Transitions(name, p.From, p.To)
	if err != nil {
		return f, err
	}
	var airM3, energyJ, isothermalJ float64
	for i, tr := range list {
		if tr.State != simulator.Loaded {
			continue
		}
		end := p.To
		if i+1 < len(list) {
			end = list[i+1].Time
		}
		from, to := tr.Time.Add(settle).Truncate(time.Minute).Add(time.Minute), end.Truncate(time.Minute)
		if !from.Before(to) || p.shut(from) {
			continue
		}
		sum, err := truth.Totals(name, from, to)
		if err != nil {
			return f, err
		}
		f.seconds += to.Sub(from).Seconds()
		airM3, energyJ, isothermalJ = airM3+sum.DeliveredM3, energyJ+sum.EnergyJ, isothermalJ+sum.IsothermalJ
	}
	if f.seconds == 0 {
		return f, nil
	}
	f.flowM3S, f.powerW = airM3/f.seconds, energyJ/f.seconds
	// The mean of ln(p/Pa) gives the pressure at which the isentropic work is taken
	// (ISO 1217's formula, from memory).
	barometer := p.World.Scenario().BarometerPa
	logRatio := isothermalJ / airM3 / barometer
	f.isentropicW = f.flowM3S * barometer * kappa / (kappa - 1) * (math.Exp(logRatio*(kappa-1)/kappa) - 1)
	return f, nil
}

// shut reports whether a valve to the plant was shut: then a machine pumps from a
// low pressure, which is no usual full load.
func (p *Played) shut(at time.Time) bool {
	for _, v := range p.World.Truth().Valves(p.From, p.To) {
		if !at.Before(v.From) && at.Before(v.To) {
			return true
		}
	}
	return false
}

// plantTruth are the true values of the system's figures, in their units.
type plantTruth struct {
	energyKWh                float64
	demandMean, demandPeak   float64
	quiet, leak, leakShare   float64
	volumeM3, volumePerFlowS float64
}

// plant works out the plant's truth over the window. atPa is the gauge pressure
// that the quiet figures say they refer to; NaN: they say none. What flows through
// holes follows the absolute pressure, and so does their truth.
func (p *Played) plant(atPa float64) plantTruth {
	truth, sc := p.World.Truth(), p.World.Scenario()
	sum := truth.Plant(p.From, p.To)
	t := plantTruth{demandMean: p.demand(sum) / p.To.Sub(p.From).Minutes(), leakShare: math.NaN(), quiet: math.NaN(), leak: math.NaN()}
	for at := p.From; at.Before(p.To); at = at.Add(time.Minute) {
		t.demandPeak = max(t.demandPeak, p.demand(truth.Plant(at, at.Add(time.Minute))))
	}
	var demandM3, leakM3, paS, minutes float64
	for _, at := range p.quiet() {
		s := truth.Plant(at, at.Add(time.Minute))
		demandM3 += s.UsedM3 + s.LeakedM3 + s.PurgedM3 + s.DrainedM3
		leakM3, paS, minutes = leakM3+s.LeakedM3, paS+s.HeaderPaS, minutes+1
	}
	if minutes > 0 {
		scale := 1.0
		if !math.IsNaN(atPa) {
			scale = (atPa + sc.BarometerPa) / (paS/minutes/60 + sc.BarometerPa)
		}
		t.quiet, t.leak = demandM3/minutes*scale, leakM3/minutes*scale
	}
	whole := truth.Plant(p.From, p.To)
	t.leakShare = ratio(whole.LeakedM3, p.demand(whole))
	flow := 0.0
	for _, name := range truth.Machines() {
		rated, err := truth.TrueFlowM3S(name)
		if err != nil {
			return t
		}
		flow += rated
		sum, err := truth.Totals(name, p.From, p.To)
		if err != nil {
			return t
		}
		t.energyKWh += sum.EnergyJ / 3.6e6
	}
	for _, part := range sc.Parts {
		t.volumeM3 += part.VolumeM3
	}
	t.volumePerFlowS = t.volumeM3 / flow
	return t
}

// demand is what the plant took: of a system with a flow meter in front of its
// last volume, what was taken behind that.
func (p *Played) demand(s simulator.PlantTotals) float64 {
	if p.metered() {
		return s.UsedM3 + s.LeakedM3
	}
	return s.UsedM3 + s.LeakedM3 + s.PurgedM3 + s.DrainedM3
}

// metered reports whether the site has a flow meter at the header.
func (p *Played) metered() bool {
	for i := range p.Site.Systems {
		for _, tap := range p.Site.Systems[i].Taps {
			if tap.Flow != "" {
				return true
			}
		}
	}
	return false
}

// quiet lists the minutes of the window in which nobody worked, the plant was not
// being filled for the shift and the pressure was there.
func (p *Played) quiet() []time.Time {
	truth, sc := p.World.Truth(), p.World.Scenario()
	var all []time.Time
	for at := p.From; at.Before(p.To); at = at.Add(time.Minute) {
		if sc.InShift(at) || sc.InShift(at.Add(-20*time.Minute)) || sc.InShift(at.Add(10*time.Minute)) {
			continue
		}
		if s := truth.Plant(at, at.Add(time.Minute)); s.UsedM3 == 0 && s.ReceiverPaS/60 > 300e3 {
			all = append(all, at)
		}
	}
	return all
}

func ratio(a, b float64) float64 {
	if b == 0 {
		return math.NaN()
	}
	return a / b
}

// missing is the median time that full flow takes for the air which loads lack at
// their begin.
func missing(all []simulator.DeliveryDelay) float64 {
	var list []time.Duration
	for _, d := range all {
		if d.Lasted {
			list = append(list, d.Missing)
		}
	}
	if len(list) == 0 {
		return math.NaN()
	}
	slices.Sort(list)
	return list[len(list)/2].Seconds()
}

// DemandM3S is the true demand of a span, m³/s of free air, exact at whole minutes.
func (p *Played) DemandM3S(from, to time.Time) float64 {
	return p.demand(p.World.Truth().Plant(from, to)) / to.Sub(from).Seconds()
}
