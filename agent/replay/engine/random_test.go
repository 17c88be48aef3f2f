package engine

import (
	"errors"
	"math"
	"reflect"
	"testing"

	"pgregory.net/rapid"
)

// drawMachine draws a machine that is valid but need not be wise.
func drawMachine(t *rapid.T, name string) Machine {
	f := func(what string, from, to float64) float64 { return rapid.Float64Range(from, to).Draw(t, what) }
	some := func(what string, to float64) float64 { // nothing now and then
		return f(what, 0, to) * float64(rapid.IntRange(0, 1).Draw(t, what+" given"))
	}
	m := Machine{Name: name, Control: Control(rapid.IntRange(0, int(VariableSpeed)).Draw(t, "control")),
		FullFlowM3S: f("flow", 0.005, 0.5), FlowPerPa: some("flow per Pa", 3e-7), RatedPa: f("rated", 5e5, 10e5),
		FullPowerW: f("power", 2e3, 200e3), PowerPerPa: some("power per Pa", 8e-7), StoppedW: some("stopped", 100),
		StartS: some("start", 20), StartW: f("start power", 0, 1e4), DelayS: some("delay", 8), DelayW: f("delay power", 0, 1e4),
		DropPa: some("drop", 3e4), BlowDownS: some("blow-down", 60), LeastBetweenStarts: some("guard", 900)}
	m.UnloadedW = m.FullPowerW * f("unloaded", 0.1, 0.4)
	m.UnloadStartW = m.UnloadedW + some("unload start", 0.5)*m.FullPowerW
	m.CutInPa = f("cut-in", 4e5, 7e5)
	m.CutOutPa = m.CutInPa + m.DropPa + f("band", 1e4, 1.5e5)
	m.TargetPa = m.CutInPa + f("target", 0.1, 0.6)*(m.CutOutPa-m.CutInPa)
	m.ModulationPa, m.LeastShare = f("modulation", 1e4, 1e5), some("least", 0.8)
	if m.NoLoadStopS = f("no-load stop", 10, 1200); rapid.Bool().Draw(t, "never stops") {
		m.NoLoadStopS = math.Inf(1)
	}
	if rapid.Bool().Draw(t, "curve") {
		m.Curve = []CurvePoint{{0, f("curve 0", 0.1, 0.7)}, {0.4, 0.72}, {0.8, 0.9}, {1, f("curve 1", 0.95, 1.05)}}
	}
	if rapid.Bool().Draw(t, "scheduled") {
		m.On = []Span{{f("on", 0, 2000), f("off", 2001, 9000)}, {9500, 12000}}
	}
	return m
}

func drawPlant(t *rapid.T) *Plant {
	p := &Plant{VolumeM3: rapid.Float64Range(0.2, 20).Draw(t, "volume"), InletPa: 97e3, OutsidePa: 99e3,
		MinimumPa: rapid.Float64Range(0, 6e5).Draw(t, "minimum"), SlotS: rapid.Float64Range(50, 1000).Draw(t, "slot")}
	if rapid.Bool().Draw(t, "common drop") {
		p.CommonDropPa, p.CommonM3S = rapid.Float64Range(0, 3e4).Draw(t, "drop"), 0.5
	}
	n := rapid.IntRange(1, 4).Draw(t, "machines")
	for i := range n {
		p.Machines = append(p.Machines, drawMachine(t, string(rune('a'+i))))
	}
	if n > 1 && rapid.Bool().Draw(t, "rotation") {
		r := Rotation{EveryS: rapid.Float64Range(500, 5000).Draw(t, "every"), FirstS: rapid.Float64Range(-1e4, 1e4).Draw(t, "first"),
			StepPa: rapid.Float64Range(0, 2e4).Draw(t, "step")}
		for i := range n {
			r.Members = append(r.Members, n-1-i)
		}
		p.Rotations = []Rotation{r}
	}
	return p
}

func drawDemand(t *rapid.T, p *Plant) []Stretch {
	most := 0.0
	for i := range p.Machines {
		most += 1.5 * p.Machines[i].FullFlowM3S
	}
	var demand []Stretch
	startS := rapid.Float64Range(0, 3000).Draw(t, "from")
	for range rapid.IntRange(1, 3).Draw(t, "stretches") {
		s := Stretch{StartS: startS, StartPa: rapid.Float64Range(0, 9e5).Draw(t, "pressure")}
		for range rapid.IntRange(1, 30).Draw(t, "segments") {
			g := Segment{Seconds: rapid.Float64Range(1, 600).Draw(t, "seconds"), AtPa: 6e5,
				DemandM3S: rapid.Float64Range(-0.02*most, most).Draw(t, "demand")}
			g.FollowM3SPerPa = rapid.Float64Range(0, 1).Draw(t, "follows") * max(0, g.DemandM3S) / 7e5
			s.Segments = append(s.Segments, g)
			startS += g.Seconds
		}
		if rapid.Bool().Draw(t, "begins") {
			for range p.Machines {
				s.Begin = append(s.Begin, Begin{State(rapid.IntRange(0, int(Loaded)).Draw(t, "state")),
					rapid.Float64Range(0, 500).Draw(t, "for"), rapid.Float64Range(0, 5000).Draw(t, "since")})
			}
		}
		demand = append(demand, s)
		startS += rapid.Float64Range(0, 3000).Draw(t, "gap")
	}
	return demand
}

// TestConservation: on plants and demands drawn at random, air and energy are kept to
// 1e-9, every second of every machine is in one state, nothing is lost between slots
// and states, no pressure is below none, and a second play is the same to the last bit.
func TestConservation(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := drawPlant(t)
		demand := drawDemand(t, p)
		r, err := Play(p, demand, Options{Trace: true})
		if errors.Is(err, ErrInvalid) || errors.Is(err, ErrRestless) {
			t.Skip(err)
		}
		if err != nil {
			t.Fatal(err)
		}
		flowed := r.SuppliedM3 + math.Abs(r.AskedM3) + math.Abs(r.HighestPa)*p.VolumeM3/p.InletPa + 1e-3 // the third: what the stores held
		if off := r.SuppliedM3 - r.ServedM3 - r.StoredM3; !(math.Abs(off) <= 1e-9*flowed) {
			t.Fatalf("%g m³ of %g come from nowhere", off, flowed)
		}
		states, slots, seconds := 0.0, 0.0, 0.0
		for i := range r.Machines {
			inStates := 0.0
			for s := range NumStates {
				states += r.Machines[i].EnergyJ[s]
				inStates += r.Machines[i].Seconds[s]
			}
			if math.Abs(inStates-r.Seconds) > 1e-9*r.Seconds {
				t.Fatalf("machine %d: %g s in states of %g", i, inStates, r.Seconds)
			}
		}
		for _, j := range r.SlotJ {
			slots += j
		}
		for i := range demand {
			for _, g := range demand[i].Segments {
				seconds += g.Seconds
			}
		}
		if !(math.Abs(states-r.EnergyJ) <= 1e-9*(1+r.EnergyJ)) || !(math.Abs(slots-r.EnergyJ) <= 1e-9*(1+r.EnergyJ)) {
			t.Fatalf("energy %g J, by state %g, by slot %g", r.EnergyJ, states, slots)
		}
		if math.Abs(seconds-r.Seconds) > 1e-6 || !(r.LowestPa >= -1e-6) || !(r.MeanPa >= r.LowestPa-1e-6 && r.MeanPa <= r.HighestPa+1e-6) || r.ShortM3 < -1e-9 {
			t.Fatalf("%g s of %g; pressures %g %g %g; short %g", r.Seconds, seconds, r.LowestPa, r.MeanPa, r.HighestPa, r.ShortM3)
		}
		again, err := Play(p, demand, Options{Trace: true})
		if err != nil || !reflect.DeepEqual(r, again) {
			t.Fatalf("a second play differs: %v", err)
		}
	})
}

// TestCutAlike: a segment cut into many is the same demand, so that the play differs
// by rounding only. (Not where a flow goes to nothing as the pressure nears the
// cut-out: rounding decides whether it gets there.)
func TestCutAlike(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := &Plant{Machines: []Machine{drawMachine(t, "a")}, VolumeM3: 2, InletPa: 97e3, OutsidePa: 99e3, MinimumPa: 4e5, SlotS: 900}
		if p.Machines[0].Control != StartStop {
			p.Machines[0].Control = LoadUnload
		}
		demand := drawDemand(t, p)
		cut := make([]Stretch, len(demand))
		for i, s := range demand {
			cut[i] = s
			cut[i].Segments = nil
			for _, g := range s.Segments {
				g.Seconds /= 4
				cut[i].Segments = append(cut[i].Segments, g, g, g, g)
			}
		}
		whole, err := Play(p, demand, Options{})
		if err != nil {
			t.Skip(err)
		}
		parts, err := Play(p, cut, Options{})
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(whole.EnergyJ-parts.EnergyJ) > 1e-6*(1+whole.EnergyJ) {
			t.Fatalf("energy %g J whole, %g J in parts", whole.EnergyJ, parts.EnergyJ)
		}
	})
}

// TestMergeKeepsTheAir: at any steady pressure the merged demand is the same air, and
// no piece lies further than the tolerance from the mean it went into.
func TestMergeKeepsTheAir(t *testing.T) {
	air := func(segments []Segment, pa float64) (m3, seconds float64) {
		for _, g := range segments {
			m3 += g.Seconds * (g.DemandM3S + g.FollowM3SPerPa*(pa-g.AtPa))
			seconds += g.Seconds
		}
		return m3, seconds
	}
	rapid.Check(t, func(t *rapid.T) {
		var segments []Segment
		atPa := rapid.Float64Range(0, 8e5).Draw(t, "at")
		for range rapid.IntRange(0, 60).Draw(t, "n") {
			segments = append(segments, Segment{rapid.Float64Range(1, 100).Draw(t, "s"), rapid.Float64Range(0, 0.1).Draw(t, "m3s"),
				atPa, rapid.Float64Range(0, 1e-8).Draw(t, "follow")})
		}
		tolerance := rapid.Float64Range(0, 0.1).Draw(t, "tolerance")
		merged := MergeSegments(segments, tolerance)
		for _, pa := range []float64{0, 5e5, 1e6} {
			got, gotS := air(merged, pa)
			want, wantS := air(segments, pa)
			if math.Abs(got-want) > 1e-9*(1+want) || math.Abs(gotS-wantS) > 1e-9*(1+wantS) {
				t.Fatalf("at %g Pa: %g m³ in %g s, merged %g in %g", pa, want, wantS, got, gotS)
			}
		}
		i := 0
		for _, m := range merged {
			for left := m.Seconds; left > 1e-6; i++ {
				for _, pa := range []float64{0, atPa / 2, atPa} {
					at := func(g Segment) float64 { return g.DemandM3S + g.FollowM3SPerPa*(pa-g.AtPa) }
					if d := at(segments[i]) - at(m); math.Abs(d) > tolerance+1e-9 {
						t.Fatalf("segment %d lies %g from its mean at %g Pa, tolerance %g", i, d, pa, tolerance)
					}
				}
				left -= segments[i].Seconds
			}
		}
	})
	if got := MergeSegments([]Segment{{60, 0.1, 6e5, 0}, {60, 0.1, 6e5, 0}, {30, 0.1, 6e5, 0}}, 0); len(got) != 1 || got[0].Seconds != 150 {
		t.Errorf("equal segments are not joined: %+v", got)
	}
}
