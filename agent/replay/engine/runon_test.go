package engine

import "testing"

// TestRunOn: an inlet that takes two seconds to close lets the pressure rise above
// the cut-out for so long, and each cycle takes longer by what was stored then; by
// hand from V·dp/dt = pa·(C - D) (the receiver formula, as in TestReceiverTiming).
func TestRunOn(t *testing.T) {
	const runOn, share = 2.0, 0.25
	p := shop(func(_ *Plant, m *Machine) { m.RunOnS = runOn })
	m := &p.Machines[0]
	rise := (1 - share) * m.FullFlowM3S * p.InletPa / p.VolumeM3 // Pa/s
	fall := share * m.FullFlowM3S * p.InletPa / p.VolumeM3
	band := m.CutOutPa - m.CutInPa
	cycleS := band/rise + runOn + (band+rise*runOn)/fall
	const cycles = 20
	demand := steady(p, share, band/fall+cycles*cycleS)
	r := play(t, p, demand, Options{})
	done := r.Machines[0]
	near(t, "highest pressure", r.HighestPa, m.CutOutPa+rise*runOn, 1e-6)
	near(t, "lowest pressure", r.LowestPa, m.CutInPa, 1e-6)
	near(t, "loaded time", done.Seconds[Loaded], cycles*(band/rise+runOn), 1e-6)
	near(t, "air supplied", done.SuppliedM3, cycles*(band/rise+runOn)*m.FullFlowM3S, 1e-9)
	near(t, "served and stored", r.ServedM3+r.StoredM3, r.SuppliedM3, 1e-9*r.SuppliedM3)
	if done.Loads != cycles && done.Loads != cycles+1 { // the last one may begin at the very end
		t.Errorf("%d loads, want %d", done.Loads, cycles)
	}
}
