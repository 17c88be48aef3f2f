package engine

import (
	"errors"
	"math"
	"testing"
)

// several is the shop with machines a, b, ... of 100 cfm and one band.
func several(n int, change func(p *Plant)) *Plant {
	p := shop()
	for i := range n {
		m := p.Machines[0]
		m.Name = string(rune('a' + i))
		p.Machines = append(p.Machines[:i], append([]Machine{m}, p.Machines[i:]...)...)
	}
	p.Machines = p.Machines[:n]
	change(p)
	return p
}

// TestRotation: of three machines with bands a step apart the first two share a demand
// of one and a half, and the third stands; at each turn the first becomes the last.
// Worked by hand: which rank carries what follows from the bands alone.
func TestRotation(t *testing.T) {
	const everyS = 3600
	p := several(3, func(p *Plant) {
		p.VolumeM3 *= 10
		p.Rotations = []Rotation{{Members: []int{2, 0, 1}, EveryS: everyS, FirstS: everyS, StepPa: 3 * psi}}
	})
	d := steady(p, 1.5, 4*everyS)
	r := play(t, p, d, Options{Trace: true})
	// Order at turn 0: c a b; at 1: a b c; at 2: b c a; at 3: c a b.
	standing := []int{1, 2, 0, 1}
	for turn, m := range standing {
		loads := 0
		before := Unloaded
		for _, point := range r.Trace {
			// A quarter hour after the turn the pressure has found the new bands.
			if point.AtS >= float64(turn)*everyS+900 && point.AtS < float64(turn+1)*everyS {
				if s := point.States[m]; s == Loaded && before != Loaded {
					loads++
				}
				before = point.States[m]
			}
		}
		if loads != 0 {
			t.Errorf("at turn %d machine %c, last in the order, loads %d times", turn, 'a'+m, loads)
		}
	}
	for i := range r.Machines {
		if r.Machines[i].Loads == 0 || seconds(r, i, Loaded) < everyS/2 {
			t.Errorf("machine %c: %+v", 'a'+i, r.Machines[i])
		}
	}
	// Fixed: the machine of the last rank never loads.
	p.Rotations[0].EveryS = math.Inf(1)
	r = play(t, p, d, Options{})
	if r.Machines[1].Loads != 0 || r.Machines[2].Loads == 0 || r.Machines[0].Loads == 0 {
		t.Errorf("fixed order: %d %d %d loads", r.Machines[0].Loads, r.Machines[1].Loads, r.Machines[2].Loads)
	}
	// A window that begins within turn 5 (FirstS long ago) is in the order of turn 5.
	p.Rotations[0].EveryS, p.Rotations[0].FirstS = everyS, -4*everyS-100
	d[0].Segments[0].Seconds = everyS - 200
	r = play(t, p, d, Options{}) // turn 5 is turn 2: b c a
	if r.Machines[0].Loads != 0 || r.Machines[1].Loads == 0 || r.Machines[2].Loads == 0 {
		t.Errorf("turn 5: %d %d %d loads", r.Machines[0].Loads, r.Machines[1].Loads, r.Machines[2].Loads)
	}
}

// TestTurnUnloads: a machine that loads above the cut-out of its new band unloads at
// the turn, to the second.
func TestTurnUnloads(t *testing.T) {
	p := several(2, func(p *Plant) {
		p.VolumeM3 *= 10
		p.Rotations = []Rotation{{Members: []int{0, 1}, EveryS: 1e6, FirstS: 100, StepPa: 5 * psi}}
	})
	d := steady(p, 0.9, 200)
	d[0].StartPa = 107 * psi
	d[0].Begin = []Begin{{State: Loaded, ForS: 100, SinceS: 100}, {State: Unloaded, ForS: 100, SinceS: 100}}
	r := play(t, p, d, Options{})
	near(t, "loaded", seconds(r, 0, Loaded), 100, 1e-9)
	near(t, "unloaded", seconds(r, 0, Unloaded), 100, 1e-9)
}

// TestSameTime: two machines alike see every pressure at the same time; they are
// taken in their order and both load.
func TestSameTime(t *testing.T) {
	p := several(2, func(*Plant) {})
	r := play(t, p, steady(p, 1, 3600), Options{})
	if r.Machines[0] != r.Machines[1] || r.Machines[0].Loads == 0 {
		t.Errorf("%+v\n%+v", r.Machines[0], r.Machines[1])
	}
}

// TestInvalid: what cannot be played names its machine and field.
func TestInvalid(t *testing.T) {
	cases := map[string]func(p *Plant, m *Machine){
		"VolumeM3":           func(p *Plant, _ *Machine) { p.VolumeM3 = 0 },
		"InletPa":            func(p *Plant, _ *Machine) { p.InletPa = math.NaN() },
		"FullFlowM3S":        func(_ *Plant, m *Machine) { m.FullFlowM3S = -1 },
		"FlowPerPa":          func(_ *Plant, m *Machine) { m.RatedPa, m.FlowPerPa = 50*psi, 1e-5 },
		"PowerPerPa":         func(_ *Plant, m *Machine) { m.PowerPerPa = 1e-4 },
		"CutOutPa":           func(_ *Plant, m *Machine) { m.CutOutPa = m.CutInPa },
		"NoLoadStopS":        func(_ *Plant, m *Machine) { m.NoLoadStopS = -1 },
		"ModulationPa":       func(_ *Plant, m *Machine) { m.Control, m.ModulationPa = Modulating, 0 },
		"TargetPa":           func(_ *Plant, m *Machine) { m.Control, m.TargetPa = VariableSpeed, 200*psi },
		"LeastShare":         func(_ *Plant, m *Machine) { m.Control, m.LeastShare = VariableSpeed, 1 },
		"Curve":              func(_ *Plant, m *Machine) { m.Control, m.Curve = VariableSpeed, []CurvePoint{{0.5, 0.6}, {1, 1}} },
		"Control":            func(_ *Plant, m *Machine) { m.Control = 99 },
		"On":                 func(_ *Plant, m *Machine) { m.On = []Span{{5, 9}, {9, 10}} },
		"Watch":              func(p *Plant, _ *Machine) { p.Watch = []Span{{9, 5}} },
		"Rotations.Members":  func(p *Plant, _ *Machine) { p.Rotations = []Rotation{{Members: []int{0, 0}, EveryS: 60}} },
		"LeastBetweenStarts": func(_ *Plant, m *Machine) { m.LeastBetweenStarts = math.Inf(1) },
	}
	for field, change := range cases {
		p := shop(change)
		err := Validate(p)
		var bad *Invalid
		if !errors.As(err, &bad) || !errors.Is(err, ErrInvalid) || bad.Field != field {
			t.Errorf("%s: got %v", field, err)
		}
	}
	p := shop(func(_ *Plant, m *Machine) { m.DropPa = 12 * psi }) // more than the band
	var bad *Invalid
	if err := Validate(p); !errors.As(err, &bad) || bad.Machine != "one" || bad.Field != "CutOutPa" {
		t.Errorf("a drop over the band: %v", err)
	}
	if _, err := Play(shop(), []Stretch{{Segments: []Segment{{Seconds: math.NaN()}}}}, Options{}); !errors.Is(err, ErrInvalid) {
		t.Errorf("a demand without a time: %v", err)
	}
	if r, err := Play(shop(), nil, Options{}); err != nil || r.EnergyJ != 0 || r.Seconds != 0 {
		t.Errorf("no demand: %+v, %v", r, err)
	}
}
