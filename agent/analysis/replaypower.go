package analysis

import (
	"fmt"
	"math"

	"loadscribe/agent/air"
	"loadscribe/agent/gum"
	"loadscribe/agent/scan"
)

// What is known of a machine's power where the record does not show it.
const (
	// Unloaded power is 15 to 35 % of full load (DOE sourcebook, from memory).
	unloadedShare, unloadedShareLimit = 0.25, 0.10
	// Right after an unload the inlet is closed and the sump still at pressure, which
	// is a machine that modulates to nothing: 70 % of full load (controls sheet of the
	// sourcebook, from memory), less what the blow-down takes off meanwhile.
	unloadStartShare, unloadStartLimit = 0.65, 0.20
	// A sump blows down in tens of seconds (common practice, no source): nine tenths
	// of it in 40 s, half or double.
	blowDownMiddleS, blowDownLimitS = 17.0, 12.0
	// The isentropic slope of power over pressure holds to a third of itself.
	slopeLimit = 1.0 / 3
	// Nameplate power of a package, and what one takes that stands (common practice,
	// no source).
	ratedPowerLimit                  = 0.05
	leastPowerCellMS                 = 60_000
	delayPowerShare, delayPowerLimit = 0.8, 0.4
	nearLoadedPa                     = 50_000.0 // of the median
	momentShare                      = 0.3      // of full-load power, by which the power at a load's moment may be another state's
	leastPowerNoise                  = 0.005    // of the mean power of a quarter hour
)

// slopeInput is that of full-load power over pressure.
func slopeInput(machine string) string { return "slope of power over pressure of " + machine }

// isentropicSlope is d ln W/dp at an absolute discharge pressure: of the isentropic
// power W ∝ (p/p0)^((κ-1)/κ) - 1.
func isentropicSlope(inletPa, dischargePa float64) float64 {
	const step = 1e3
	return math.Log(air.PressureFactor(inletPa, dischargePa-step, dischargePa+step)) / (2 * step)
}

// powers sets a machine's powers but for part load.
func (r *replayMaker) powers(k int, m *ReplayMachine) {
	s, name := r.machines[k], r.b.machines[k]
	inlet := s.barometerPa()
	slope := isentropicSlope(inlet, m.LoadedPa+inlet)
	m.PowerPerPa = gum.New(slope, rectangular(slopeLimit*slope), slopeInput(name)+" (assumed)")
	m.Basis["power_per_pa"] = fmt.Sprintf("isentropic slope at %s, ± a third", s.shownPressure(m.LoadedPa))
	if s.draw == nil {
		if !r.counterPowers(k, m) {
			r.nameplatePowers(k, m)
		}
		return
	}
	r.loadedFit(k, m)
	r.unloadedFit(k, m)
	r.otherPowers(k, m)
}

// loadedFit is the power of full load: least squares over the quarter hours, of
// energy while loaded on loaded time, on that time by the pressure in it, and on the
// loads, each of which takes less until the sump has filled.
func (r *replayMaker) loadedFit(k int, m *ReplayMachine) {
	s, name := r.machines[k], r.b.machines[k]
	all := s.g.total.power.all[Loaded]
	if all.ms == 0 {
		r.fullPowerNotSeen(k, m)
		return
	}
	mean := s.draw.mean(Loaded, all, r.to)
	slope := float64(m.PowerPerPa.V * mean.V)
	delay := max(m.DelayS.V, 0.5)
	cells, pa := s.g.cells, r.loadedPa(k, m)
	full := priorFull(mean.V, r.nameplateAt(k, m.LoadedPa), float64(s.g.total.loads), float64(all.ms)/1000, delay)
	f := priorFit{prior: []float64{full.v, slope, float64(mean.V * (1 - delayPowerShare) * delay)},
		u:          []float64{full.u, float64(m.PowerPerPa.U() * mean.V), float64(mean.V * rectangular(delayPowerLimit) * delay)},
		leastNoise: float64(leastPowerNoise * mean.V)}
	for i := range cells {
		d := &cells[i].d
		if d.power[Loaded].ms < leastPowerCellMS || math.Abs(pa[i]-m.LoadedPa) > nearLoadedPa {
			continue
		}
		t := float64(d.power[Loaded].ms) / 1000
		// A load's moment is known to a scan: where loads are short that is much of them.
		blur := 1 + momentShare*s.periodS()*float64(d.loads)/t/leastPowerNoise
		f.add(s.draw.ofState(Loaded, d.power[Loaded], cells[i].from)/t, t/900/float64(blur*blur), 1, pa[i]-m.LoadedPa, -float64(d.loads)/t)
	}
	m.Basis["loaded_power"] = fmt.Sprintf("mean over %s loaded", inWords(all.ms))
	m.LoadedPower = mean
	if len(f.rows) < 3 || !f.solve() {
		m.DelayPower = mean
		m.Basis["delay_power"] = "that of full load"
		return
	}
	names := []string{scatterInput("power_loaded", name), slopeInput(name), "power until air leaves of " + name}
	v := correlated(f.theta, f.cov, names)
	loaded := v[0]
	m.LoadedPower = alike(loaded, mean)
	if f.theta[1] > 0 && math.Sqrt(f.cov[1][1]) < 0.9*f.u[1] {
		m.PowerPerPa = v[1].Scaled(1 / loaded.V)
		m.Basis["power_per_pa"] = fmt.Sprintf("power against pressure over %d quarter hours, and the isentropic slope ± a third", len(f.rows))
	}
	lost := v[2].Scaled(1 / delay)
	m.DelayPower = alike(loaded.Minus(lost), mean)
	m.DelayPower.V = min(max(m.DelayPower.V, 0), 1.5*loaded.V)
	m.Basis["loaded_power"] = fmt.Sprintf("least squares over %d quarter hours, %s loaded, of energy on loaded time and loads", len(f.rows), inWords(all.ms))
	m.Basis["delay_power"] = "the same least squares: what each load took less"
}

// priorFull is what is known of full-load power without the fit: the nameplate's,
// where that is not far off the mean while loaded; else that mean with what the
// loads may have taken off it.
func priorFull(mean, nameplate, loads, loadedS, delayS float64) estimate {
	if nameplate > 0 && math.Abs(mean/nameplate-1) < 4*ratedPowerLimit {
		return estimate{nameplate, rectangular(2 * ratedPowerLimit * nameplate)}
	}
	off := float64(min(float64(loads*delayS)/loadedS, 1) * (1 - delayPowerShare))
	return estimate{float64(mean * (1 + off)), float64(mean * (ratedPowerLimit + off))}
}

// loadedPa is the mean pressure at the outlet while air flowed, by quarter hour, and
// sets that of all. Those that fill an empty plant are far from it, and a straight
// line does not reach there.
func (r *replayMaker) loadedPa(k int, m *ReplayMachine) []float64 {
	s := r.machines[k]
	all := make([]float64, len(s.g.cells))
	at := s.g.sp.find(scan.DischargePressure)
	if at >= 0 {
		at = s.g.sp.healthAt[at]
	}
	var values []float64
	for i := range all {
		all[i] = m.LoadedPa
		if d := &s.g.cells[i].d; at >= 0 && d.health != nil && d.health[at].flowing.ms > 0 {
			all[i] = s.g.sp.chans[s.g.sp.health[at]].mean(d.health[at].flowing).v - r.seen.gauge[k].V
			if d.power[Loaded].ms >= leastPowerCellMS {
				values = append(values, all[i])
			}
		}
	}
	if len(values) > 0 {
		m.LoadedPa = quantileOf(values, 0.5)
	}
	return all
}

// fullPowerNotSeen takes the nameplate for what was never seen.
func (r *replayMaker) fullPowerNotSeen(k int, m *ReplayMachine) {
	name, rated := r.b.machines[k], r.of[k].RatedPowerW
	if rated <= 0 && r.of[k].Motor.PowerW > 0 {
		rated = r.of[k].Motor.PowerW
	}
	m.LoadedPower = gum.New(rated, rectangular(ratedPowerLimit*rated), "rated power of "+name+" (assumed)")
	m.Basis["loaded_power"] = "rated power, since the machine was not seen at full load"
	if rated <= 0 {
		m.Basis["loaded_power"] = "not known: the machine was not seen at full load, and the site file has no rated_power"
	}
	m.DelayPower = m.LoadedPower
	m.Basis["delay_power"] = "that of full load"
	if p := r.of[k].RatedPressurePa; p > 0 {
		m.LoadedPa = p
	}
}

// nameplatePowers takes all from the nameplate: no power is read.
func (r *replayMaker) nameplatePowers(k int, m *ReplayMachine) {
	name := r.b.machines[k]
	r.fullPowerNotSeen(k, m)
	m.UnloadedPower = m.LoadedPower.Times(gum.New(unloadedShare, rectangular(unloadedShareLimit), "unloaded power of "+name+" (assumed)"))
	m.UnloadStartPower = m.LoadedPower.Times(gum.New(unloadStartShare, rectangular(unloadStartLimit), "power right after an unload of "+name+" (assumed)"))
	m.BlowDownS = gum.New(blowDownMiddleS, rectangular(blowDownLimitS), "blow-down of "+name+" (assumed)")
	m.StartPower = m.LoadedPower.Scaled(0.5)
	for _, what := range []string{"unloaded_power", "unload_start_power", "blow_down"} {
		m.Basis[what] = "handbook share of rated power: no power is read"
	}
	m.Basis["start_power"], m.Basis["stopped_power"] = "half of full load (assumed)", "taken for nothing"
}

// otherPowers are those of standing and starting.
func (r *replayMaker) otherPowers(k int, m *ReplayMachine) {
	s := r.machines[k]
	power := &s.g.total.power.all
	var stands sum
	for _, st := range []State{Off, Standby, Stopped} {
		stands.merge(s.g.total.power.same[st])
	}
	m.Basis["stopped_power"] = "not seen standing: taken for nothing"
	if stands.ms > 0 {
		m.StoppedPower = s.draw.mean(Stopped, stands, r.to)
		m.Basis["stopped_power"] = fmt.Sprintf("mean over %s standing", inWords(stands.ms))
	}
	m.StartPower = m.LoadedPower.Scaled(0.5)
	m.Basis["start_power"] = "no start was seen: half of full load (assumed)"
	if power[Starting].ms > 0 {
		m.StartPower = s.draw.mean(Starting, power[Starting], r.to)
		m.Basis["start_power"] = fmt.Sprintf("mean over %s starting", inWords(power[Starting].ms))
	}
}
