package plainloop

import (
	"math"
	"math/rand/v2"
	"testing"

	"loadscribe/agent/replay/engine"
)

// day is a demand of minutes about a mean, by a seed: what users take goes up and
// down over the day, with chance from minute to minute.
func day(seed uint64, meanM3S float64, minutes int) []engine.Segment {
	r := rand.New(rand.NewPCG(seed, 8))
	out := make([]engine.Segment, minutes)
	for i := range out {
		share := 1 + 0.5*math.Sin(2*math.Pi*float64(i)/1440) + 0.15*r.NormFloat64()
		out[i] = engine.Segment{Seconds: 60, DemandM3S: max(0, share*meanM3S), AtPa: 6.8e5, FollowM3SPerPa: 0.3 * meanM3S / 8e5}
	}
	return out
}

// machine of about 100 cfm and 20 kW with everything a real one has.
func plain(name string, c engine.Control) engine.Machine {
	m := engine.Machine{
		Name: name, Control: c, FullFlowM3S: 0.05, FlowPerPa: 1e-7, RatedPa: 7e5,
		FullPowerW: 20e3, PowerPerPa: 6e-7, UnloadedW: 5e3, UnloadStartW: 11e3, BlowDownS: 15, StoppedW: 50,
		StartS: 6, StartW: 9e3, DelayS: 3, DelayW: 12e3, RunOnS: 1, DropPa: 1e4, CutInPa: 6.3e5, CutOutPa: 7.2e5,
		TargetPa: 6.6e5, NoLoadStopS: 300, ModulationPa: 6e4, LeastShare: 0.3,
	}
	switch c {
	case engine.VariableSpeed:
		m.Curve = []engine.CurvePoint{{Flow: 0.2, Power: 0.29}, {Flow: 0.4, Power: 0.45}, {Flow: 0.7, Power: 0.7}, {Flow: 1, Power: 1}}
	case engine.VariableDisplacement:
		m.LeastShare = 0.45
		m.Curve = []engine.CurvePoint{{Flow: 0.4, Power: 0.55}, {Flow: 0.75, Power: 0.8}, {Flow: 1, Power: 1}}
	case engine.Modulating:
		m.Curve = []engine.CurvePoint{{Flow: 0, Power: 0.71}, {Flow: 0.5, Power: 0.86}, {Flow: 1, Power: 1}}
	}
	return m
}

// plants that the engine is held against the loop on.
func plants() map[string]*engine.Plant {
	all := map[string]*engine.Plant{}
	add := func(name string, machines ...engine.Machine) *engine.Plant {
		p := &engine.Plant{Machines: machines, VolumeM3: 2.5 * float64(len(machines)), InletPa: 98e3, OutsidePa: 1e5, MinimumPa: 5.8e5}
		all[name] = p
		return p
	}
	add("load/unload", plain("a", engine.LoadUnload))
	add("start/stop", plain("a", engine.StartStop))
	add("modulating", plain("a", engine.Modulating))
	add("modulate then unload", plain("a", engine.ModulateThenUnload))
	add("variable displacement", plain("a", engine.VariableDisplacement))
	add("variable speed", plain("a", engine.VariableSpeed))
	guarded := plain("a", engine.LoadUnload)
	guarded.NoLoadStopS, guarded.LeastBetweenStarts = 20, 600
	guarded.On = []engine.Span{{FromS: 3600, ToS: 40000.5}, {FromS: 50000, ToS: 80000}}
	add("guard and schedule", guarded)
	add("two, turning", plain("a", engine.LoadUnload), plain("b", engine.LoadUnload)).
		Rotations = []engine.Rotation{{Members: []int{0, 1}, EveryS: 8 * 3600, FirstS: 7200, StepPa: 2e4}}
	base, trim := plain("base", engine.LoadUnload), plain("trim", engine.VariableSpeed)
	base.CutInPa, base.CutOutPa = 6.2e5, 7.0e5
	add("base and trim", base, trim)
	two := add("common drop", plain("a", engine.LoadUnload), plain("b", engine.LoadUnload))
	two.CommonDropPa, two.CommonM3S = 1.5e4, 0.1
	two.Machines[1].CutInPa, two.Machines[1].CutOutPa = 6.1e5, 7.0e5
	three := add("base, trim and a common drop", base, trim)
	three.CommonDropPa, three.CommonM3S = 1.5e4, 0.1
	return all
}

// TestAgainstTheLoop: energy within 0.2 % of the plain loop, with the demand as it is
// and merged; air, time by state and mean pressure as close as its steps let it. The
// merged demand leaves out what happens inside a merged piece, which moves energy by
// less than that too.
func TestAgainstTheLoop(t *testing.T) {
	if testing.Short() {
		t.Skip("seconds of one goroutine's work")
	}
	const stepS = 0.25 // at a second, thresholds seen late widen bands by up to 2 %
	for name, p := range plants() {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			mean := 0.0
			for i := range p.Machines {
				mean += 0.5 * p.Machines[i].FullFlowM3S
			}
			segments := day(3, mean, 720)
			demand := []engine.Stretch{{StartPa: 6.9e5, Segments: segments}}
			want, err := Play(p, demand, stepS)
			if err != nil {
				t.Fatal(err)
			}
			got, err := engine.Play(p, demand, engine.Options{})
			if err != nil {
				t.Fatal(err)
			}
			merged := engine.MergeSegments(segments, 0.03*mean)
			demand[0].Segments = merged
			short, err := engine.Play(p, demand, engine.Options{})
			if err != nil {
				t.Fatal(err)
			}
			off := func(r *engine.Result) float64 { return r.EnergyJ/want.EnergyJ - 1 }
			t.Logf("energy off the loop's by %+.3f %%, merged to %d of %d pieces %+.3f %%; mean pressure %+.0f Pa; loads %d, loop %d",
				100*off(got), len(merged), len(segments), 100*off(short), got.MeanPa-want.MeanPa, loads(got), loads(want))
			if math.Abs(off(got)) > 0.002 || math.Abs(off(short)) > 0.002 {
				t.Errorf("energy %g J, merged %g J, loop %g J", got.EnergyJ, short.EnergyJ, want.EnergyJ)
			}
			if math.Abs(got.ShortM3-want.ShortM3) > 0.001*want.AskedM3 || math.Abs(got.ShortS-want.ShortS) > 0.003*want.Seconds {
				t.Errorf("short by %g m³ for %g s, loop %g for %g s", got.ShortM3, got.ShortS, want.ShortM3, want.ShortS)
			}
			if math.Abs(got.MeanPa-want.MeanPa) > 1000 || math.Abs(got.ServedM3/want.ServedM3-1) > 0.001 {
				t.Errorf("mean pressure %g, loop %g; air %g, loop %g", got.MeanPa, want.MeanPa, got.ServedM3, want.ServedM3)
			}
		})
	}
}

func loads(r *engine.Result) (n int) {
	for i := range r.Machines {
		n += r.Machines[i].Loads
	}
	return n
}
