package analysis

import (
	"fmt"
	"math"

	"loadscribe/agent/gum"
)

const (
	leastCounterMS = 600_000 // of a quarter hour counted
	// What a package takes that stands: its controls, and a heater maybe (common
	// practice, no source).
	standingW, standingLimitW = 100.0, 100.0
)

// counterPowers are a machine's powers where a counter is all that tells its energy:
// least squares over the quarter hours of what it rose by on the times in each state,
// with the nameplate's and the handbook's shares known to their limits. It is false
// where it cannot be done.
func (r *replayMaker) counterPowers(k int, m *ReplayMachine) bool {
	s, name := r.machines[k], r.b.machines[k]
	if s.g.sp.energy < 0 || s.energy.absent != "" || !s.energy.byCounter || m.Machine.Control.PartLoad() {
		return false
	}
	full := r.nameplateAt(k, m.LoadedPa)
	fullU := rectangular(2 * ratedPowerLimit * full)
	if full <= 0 {
		if full = s.energy.running.V / max(1, float64(s.g.total.runningMS())/1000); full <= 0 {
			return false
		}
		fullU = full
	}
	// A count may lie on either side of a quarter hour's edge.
	noise := quad(float64(leastPowerNoise*full), rectangular(s.energy.step)*math.Sqrt2/900)
	f := priorFit{prior: []float64{full, float64(unloadedShare * full), float64(unloadStartShare * full), standingW},
		u:          []float64{fullU, rectangular(unloadedShareLimit * full), rectangular(unloadStartLimit * full), rectangular(standingLimitW)},
		leastNoise: noise}
	falls := unloadFit{spans: s.g.unloadSpans(), cells: s.g.cells}
	for i, g := range falls.byCell(blowDownMiddleS) {
		e, d := &s.energy.cells[i], &s.g.cells[i].d
		if e.ms < leastCounterMS {
			continue
		}
		t := float64(e.ms) / 1000
		share := func(states ...State) (all float64) {
			for _, st := range states {
				all += float64(d.stateMS[st]) / 1000 / t
			}
			return all
		}
		g /= t
		f.add(e.joules/t, t/900, share(Loaded), max(0, share(Unloaded, Starting)-g), g, share(Off, Standby, Stopped, Tripped))
	}
	if len(f.rows) < leastCurveCells || !f.solve() {
		return false
	}
	names := []string{scatterInput("power_loaded", name), "unloaded power of " + name, "power right after an unload of " + name, "standing power of " + name}
	v := correlated(f.theta, f.cov, names)
	for i := range v {
		v[i] = alike(v[i], s.energy.fineCell)
		v[i].V = max(0, v[i].V)
	}
	m.LoadedPower, m.UnloadedPower, m.UnloadStartPower, m.StoppedPower = v[0], v[1], v[2], v[3]
	m.BlowDownS = gum.New(blowDownMiddleS, rectangular(blowDownLimitS), "blow-down of "+name+" (assumed)")
	m.DelayPower, m.StartPower = m.LoadedPower, m.LoadedPower.Scaled(0.5)
	basis := fmt.Sprintf("least squares over %d quarter hours of the energy counter on the times in each state, and nameplate and handbook to their limits", len(f.rows))
	for _, what := range []string{"loaded_power", "unloaded_power", "unload_start_power", "stopped_power"} {
		m.Basis[what] = basis
	}
	m.Basis["delay_power"], m.Basis["start_power"] = "that of full load", "half of full load (assumed)"
	m.Basis["blow_down"] = "tens of seconds (assumed): a counter does not show it"
	return true
}
