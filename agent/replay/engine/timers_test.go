package engine

import (
	"math"
	"testing"
)

// The cases of this file are worked by hand on the shop's machine: what the trade's
// controls do is common practice, no source.

// seconds a machine was in a state.
func seconds(r *Result, machine int, s State) float64 { return r.Machines[machine].Seconds[s] }

// fall is how fast a share of the full flow takes the pressure down, Pa/s.
func fall(p *Plant, share float64) float64 {
	return share * p.Machines[0].FullFlowM3S * p.InletPa / p.VolumeM3
}

// TestNoLoadStop: unloaded for its time the machine stops, stands until the pressure
// asks, starts for its time, fills, loads.
func TestNoLoadStop(t *testing.T) {
	p := shop(func(p *Plant, m *Machine) {
		m.NoLoadStopS, m.StartS, m.StartW, m.DelayS, m.DelayW, m.StoppedW = 60, 7, 9e3, 3, 8e3, 100
	})
	m := &p.Machines[0]
	rate := fall(p, 0.01)
	fallS := (m.CutOutPa - m.CutInPa) / rate // over a minute
	d := steady(p, 0.01, fallS+7+3)
	d[0].Begin = []Begin{{State: Loaded, ForS: 100, SinceS: 100}}
	r := play(t, p, d, Options{})
	near(t, "unloaded", seconds(r, 0, Unloaded), 60, 1e-9)
	near(t, "stopped", seconds(r, 0, Stopped), fallS-60, 1e-9)
	near(t, "starting", seconds(r, 0, Starting), 7, 1e-9)
	near(t, "loaded, filling", seconds(r, 0, Loaded), 3, 1e-9)
	near(t, "energy", r.EnergyJ, 60*m.UnloadedW+(fallS-60)*100+7*9e3+3*8e3, 1e-6)
	near(t, "lowest pressure", r.LowestPa, m.CutInPa-10*rate, 1e-6)
	if done := r.Machines[0]; done.Starts != 1 || done.Loads != 1 || done.SuppliedM3 > 1e-12 {
		t.Errorf("%+v", done)
	}
	m.NoLoadStopS = fallS + 1 // as long as the fall: it never stops
	if r = play(t, p, d, Options{}); r.Machines[0].Starts != 0 || seconds(r, 0, Stopped) != 0 {
		t.Errorf("a longer timer: %+v", r.Machines[0])
	}
	m.NoLoadStopS = 60
	d[0].Begin[0] = Begin{State: Unloaded, ForS: 45, SinceS: 100} // the timer is part of how it begins
	r = play(t, p, d, Options{})
	near(t, "unloaded after a beginning", seconds(r, 0, Unloaded), 15, 1e-9)
}

// TestFilling: the sump is filled as far as it had blown down.
func TestFilling(t *testing.T) {
	p := shop(func(p *Plant, m *Machine) { m.DelayS, m.BlowDownS = 4, 30 })
	m := &p.Machines[0]
	fallS := (m.CutOutPa - m.CutInPa) / fall(p, 0.5)
	d := steady(p, 0.5, fallS+10)
	d[0].Begin = []Begin{{State: Loaded, ForS: 100, SinceS: 100}}
	r := play(t, p, d, Options{})
	delayS := 4 * (1 - math.Exp(-fallS/30))
	near(t, "lowest pressure", r.LowestPa, m.CutInPa-delayS*fall(p, 0.5), 1e-6)
	near(t, "air", r.SuppliedM3, (10-delayS)*m.FullFlowM3S, 1e-9)
}

// TestGuard: a start waits until the least time since the last one has passed.
func TestGuard(t *testing.T) {
	p := shop(func(p *Plant, m *Machine) { m.LeastBetweenStarts, p.MinimumPa = 600, 0 })
	m := &p.Machines[0]
	rate := fall(p, 0.1)
	toCutInS := (m.CutOutPa - m.CutInPa) / rate
	d := steady(p, 0.1, 600)
	d[0].Begin = []Begin{{State: Stopped, ForS: 0, SinceS: 100}}
	r := play(t, p, d, Options{Trace: true})
	if toCutInS >= 500 {
		t.Fatal("the case does not wait")
	}
	near(t, "stopped", seconds(r, 0, Stopped), 500, 1e-9)
	near(t, "lowest pressure", r.LowestPa, m.CutOutPa-500*rate, 1e-6)
	near(t, "kept waiting", r.Machines[0].GuardedS, 500-toCutInS, 1e-9)
	// start/stop, short of storage: the guard bounds the starts in any hour
	p.Machines[0].Control, p.MinimumPa = StartStop, 80*psi
	r = play(t, p, steady(p, 0.5, 24*3600), Options{})
	if most := r.Machines[0].StartsHourMax; most != 6 {
		t.Errorf("%d starts in an hour, want 6", most)
	}
	m.LeastBetweenStarts = 0
	if r = play(t, p, steady(p, 0.5, 24*3600), Options{}); r.Machines[0].StartsHourMax < 60 || r.Machines[0].Starts != r.Machines[0].Loads {
		t.Errorf("without a guard: %+v", r.Machines[0])
	}
}

// TestSchedule: at the end of its time a machine stops, loaded or not; at the
// beginning it starts if the pressure asks, else when it does.
func TestSchedule(t *testing.T) {
	p := shop(func(p *Plant, m *Machine) { m.On, p.MinimumPa = []Span{{0, 300}, {360, 600}, {605, 1000}}, 0 })
	r := play(t, p, steady(p, 0.9, 1000), Options{Trace: true})
	near(t, "stopped", seconds(r, 0, Stopped), 1000-300-240-395, 1e-9)
	for _, point := range r.Trace {
		on := point.AtS < 300 || point.AtS >= 360 && point.AtS < 600 || point.AtS >= 605
		if !on && point.States[0] != Stopped {
			t.Errorf("at %g s it is in state %d", point.AtS, point.States[0])
		}
	}
	if r.Machines[0].Starts != 2 {
		t.Errorf("%d starts, want 2", r.Machines[0].Starts)
	}
	// nearly no demand: at 360 s nothing asks, and the pressure gets to the cut-in later
	rate := fall(p, 0.002)
	toCutInS := (p.Machines[0].CutOutPa - p.Machines[0].CutInPa) / rate
	p.Machines[0].On = []Span{{0, 10}, {60, math.Inf(1)}}
	r = play(t, p, steady(p, 0.002, toCutInS+1), Options{})
	near(t, "unloaded", seconds(r, 0, Unloaded), 10, 1e-9)
	near(t, "stopped", seconds(r, 0, Stopped), toCutInS-10, 1e-6)
}

// TestVariableSpeedBand: the pressure stands at the target while the demand lies
// between least and full speed; below the least it rises to the cut-out, falls to the
// cut-in, and up again; a demand above full speed takes it down.
func TestVariableSpeedBand(t *testing.T) {
	p := shop(func(_ *Plant, m *Machine) { m.Control, m.LeastShare, m.DropPa = VariableSpeed, 0.4, 2000 })
	m := &p.Machines[0]
	at := func(share float64) *Result {
		d := steady(p, share, 36000)
		d[0].StartPa = m.TargetPa - 2000*share*share
		d[0].Begin = []Begin{{State: PartLoad, ForS: 100, SinceS: 100}}
		return play(t, p, d, Options{})
	}
	for _, share := range []float64{0.41, 0.6, 0.99} {
		r := at(share)
		near(t, "pressure held", r.MeanPa, m.TargetPa-2000*share*share, holdPa+10)
		near(t, "share of time running", seconds(r, 0, PartLoad), 36000, 20)
		near(t, "power", r.EnergyJ/36000, (0.25+0.75*share)*m.FullPowerW, 5)
	}
	r := at(0.2)
	near(t, "highest pressure", r.HighestPa, m.CutOutPa-2000*0.16, 1e-6)
	near(t, "lowest pressure", r.LowestPa, m.CutInPa, 1e-6)
	// Up: full speed to the target, least from there; down: nothing. Air over a cycle is
	// the demand's, so that the machine makes air for at most half of the time at 0.4.
	if share := seconds(r, 0, Unloaded) / 36000; share < 0.5 || share > 0.8 {
		t.Errorf("unloaded for %.3f of the time", share)
	}
	near(t, "air", r.SuppliedM3-r.StoredM3, 0.2*m.FullFlowM3S*36000, 1e-6)
	if r = at(1.1); r.LowestPa >= m.CutInPa || seconds(r, 0, Loaded) < 35000 {
		t.Errorf("above full speed: lowest %g Pa, loaded %g s", r.LowestPa, seconds(r, 0, Loaded))
	}
}
