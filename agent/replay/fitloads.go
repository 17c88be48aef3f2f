package replay

import (
	"math"

	"loadscribe/agent/gum"
	"loadscribe/agent/replay/engine"
	"loadscribe/agent/sitefile"
)

const (
	// Of so few loads the number says nothing of how far the pressure swings.
	leastLoadsToFit = 50
	// mostRunOnS is the longest that an inlet takes to close, in seconds of full flow.
	mostRunOnS = 2.0
	// mostMoved is how far an input is moved, in its standard uncertainties: the limits
	// of a rectangular one.
	mostMoved = 1.7
	fitSteps  = 12
)

// fitLoads moves the delay until air leaves, or else the run-on, of a plant's only
// machine, where that loads and unloads, so that the present settings are played with
// as many loads as were measured: in short cycles they decide how far the pressure
// swings, and no reading a second shows them. The mean demand goes with them, by its
// part that rests on them. Where neither gives that number, something else makes it,
// and both stay.
func (st *Study) fitLoads() {
	if len(st.base.units) != 1 || len(st.rec.Measured.ByMachine) != 1 || st.rec.MeanDemand.V <= 0 {
		return
	}
	u, m := &st.base.units[0], &st.rec.Machines[0]
	wanted := st.rec.Measured.ByMachine[0].Loads
	if wanted < leastLoadsToFit || u.control != sitefile.LoadUnload {
		return
	}
	const basis = ", moved so that the replay of the present settings has the measured number of loads"
	if s, ok := st.fitted(u.delayS, math.Inf(1), wanted); ok {
		m.DelayS.V, m.Basis["delay"] = s.of(u.delayS), m.Basis["delay"]+basis
		st.moveDemand(s)
	} else if s, ok := st.fitted(u.runOn, mostRunOnS, wanted); ok {
		m.RunOnS = u.runOn
		m.RunOnS.V, m.Basis["run_on"] = s.of(u.runOn), m.Basis["run_on"]+basis
		st.moveDemand(s)
	}
}

// fitted is the shift of the input that a time mostly rests on, with which so many
// loads are played; the time stays from nothing to the most. More of it is fewer loads.
func (st *Study) fitted(v gum.Value, most float64, wanted int) (shift, bool) {
	name, part := "", 0.0
	for _, share := range v.Shares() {
		if p := v.Part(share.Input); p > part {
			name, part = share.Input, p
		}
	}
	if name == "" {
		return shift{}, false
	}
	loads := func(by float64) int {
		a := st.applied(&st.base, shift{name, by}, noise{})
		r, err := engine.Play(&a.Plant, a.Demand, engine.Options{})
		if err != nil {
			return -1
		}
		return r.Machines[0].Loads
	}
	low, high := max(-mostMoved, -v.V/part), min(mostMoved, (most-v.V)/part)
	if few := loads(high); loads(low) < wanted || few > wanted || few < 0 {
		return shift{}, false
	}
	for range fitSteps {
		if middle := (low + high) / 2; loads(middle) > wanted {
			low = middle
		} else {
			high = middle
		}
	}
	return shift{name, (low + high) / 2}, true
}

// moveDemand makes a shift of the mean demand that of the record, and the present
// plant anew.
func (st *Study) moveDemand(s shift) {
	scale := max(0.01, s.of(st.rec.MeanDemand)/st.rec.MeanDemand.V)
	for i := range st.rec.Minutes {
		st.rec.Minutes[i].FlowM3S *= scale
	}
	st.rec.MeanDemand.V *= scale
	st.base = st.asRecorded()
	st.demand = st.stretches(&st.base.demand, shift{}, noise{})
}
