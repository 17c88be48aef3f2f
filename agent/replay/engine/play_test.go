package engine

import (
	"errors"
	"math"
	"testing"

	"loadscribe/agent/air"
)

// cfm and psi are exact; a gallon is 231 cubic inches.
const (
	cfm    = 0.3048 * 0.3048 * 0.3048 / 60
	psi    = 4.4482216152605 / (0.0254 * 0.0254)
	gallon = 231 * 0.0254 * 0.0254 * 0.0254
)

// shop is a plant of one machine of 100 cfm without delay, blow-down or drop.
func shop(change ...func(p *Plant, m *Machine)) *Plant {
	p := &Plant{
		VolumeM3: 100 * gallon, InletPa: 14.5 * psi, OutsidePa: 14.5 * psi, MinimumPa: 80 * psi, SlotS: 900,
		Machines: []Machine{{
			Name: "one", FullFlowM3S: 100 * cfm, RatedPa: 110 * psi, FullPowerW: 20e3,
			UnloadedW: 5e3, UnloadStartW: 5e3, CutInPa: 100 * psi, CutOutPa: 110 * psi,
			TargetPa: 105 * psi, NoLoadStopS: math.Inf(1), ModulationPa: 10 * psi,
		}},
	}
	for _, c := range change {
		c(p, &p.Machines[0])
	}
	return p
}

// steady is a demand that does not change, from the cut-out on.
func steady(p *Plant, share, seconds float64) []Stretch {
	m := &p.Machines[0]
	return []Stretch{{StartPa: m.CutOutPa - m.DropPa,
		Segments: []Segment{{Seconds: seconds, DemandM3S: share * m.FullFlowM3S}}}}
}

func play(t *testing.T, p *Plant, demand []Stretch, o Options) *Result {
	t.Helper()
	r, err := Play(p, demand, o)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s: got %.10g, want %.10g ± %.3g", what, got, want, within)
	}
}

// TestReceiverTiming holds a load/unload machine to the receiver formula,
// V = T·C·pa/(p₁-p₂) (stored open textbook citing the compressed-air handbook,
// testdata/vectors/storage.csv, read) and what follows of it: loaded
// V·Δp/(pa·(C-D)), unloaded V·Δp/(pa·D), most cycles an hour at half the capacity.
func TestReceiverTiming(t *testing.T) {
	p := shop()
	m := &p.Machines[0]
	band := m.CutOutPa - m.CutInPa
	const cycles = 20
	most, mostAt := 0.0, 0.0
	for i := 1; i < 20; i++ {
		share := float64(i) / 20
		want := air.LoadCycle(p.VolumeM3, band, p.InletPa, m.FullFlowM3S, share*m.FullFlowM3S)
		seconds := cycles * (want.LoadedS + want.UnloadedS)
		r := play(t, p, steady(p, share, seconds), Options{})
		done := r.Machines[0]
		near(t, "loaded time", done.Seconds[Loaded], cycles*want.LoadedS, 1e-9*seconds)
		near(t, "unloaded time", done.Seconds[Unloaded], cycles*want.UnloadedS, 1e-9*seconds)
		if done.Loads != cycles {
			t.Errorf("at %g of capacity: %d loads, want %d", share, done.Loads, cycles)
		}
		if perHour := float64(done.Loads) / seconds * 3600; perHour > most {
			most, mostAt = perHour, share
		}
	}
	near(t, "share of capacity with most cycles", mostAt, 0.5, 1e-12)
	near(t, "most cycles", most, air.MostCycles(p.VolumeM3, band, p.InletPa, m.FullFlowM3S).PerHour, 1e-9)
}

// TestStorageExample is the handbook's receiver for a sandblaster: 2 min of 100 cfm
// out of 117.6 ft³ take it from 125 to 100 psig with air counted at 14.7 psia
// (testdata/vectors/storage.csv, read).
func TestStorageExample(t *testing.T) {
	const cubicFoot = 0.3048 * 0.3048 * 0.3048
	p := shop(func(p *Plant, m *Machine) {
		p.VolumeM3, p.InletPa, p.OutsidePa = 117.6*cubicFoot, 14.7*psi, 14.7*psi
		m.CutInPa, m.CutOutPa = 50*psi, 60*psi
	})
	r := play(t, p, []Stretch{{StartPa: 125 * psi, Segments: []Segment{{Seconds: 120, DemandM3S: 100 * cfm}}}}, Options{})
	near(t, "pressure after 2 min", r.LowestPa/psi, 100, 0.001)
}

// TestClosedForms holds a machine whose flow falls and whose power rises with the
// pressure, and a demand that rises with it, to the solution of the linear equation
// worked by hand (common practice, no source).
func TestClosedForms(t *testing.T) {
	p := shop(func(p *Plant, m *Machine) { m.FlowPerPa, m.PowerPerPa = 2e-7, 6e-7 })
	m := &p.Machines[0]
	demand := Segment{Seconds: 1e5, DemandM3S: 0.6 * m.FullFlowM3S, AtPa: m.CutOutPa, FollowM3SPerPa: 3e-8}
	r := play(t, p, []Stretch{{StartPa: m.CutInPa, Segments: []Segment{demand}}}, Options{Trace: true})
	toRated := m.CutInPa - m.RatedPa
	net := m.FullFlowM3S*(1-m.FlowPerPa*toRated) - demand.DemandM3S - demand.FollowM3SPerPa*(m.CutInPa-demand.AtPa)
	slope := m.FullFlowM3S*m.FlowPerPa + demand.FollowM3SPerPa
	tau := p.VolumeM3 / p.InletPa / slope
	loadedS := -tau * math.Log(1-(m.CutOutPa-m.CutInPa)*slope/net)
	var first TracePoint
	for _, point := range r.Trace {
		if point.Pa == m.CutOutPa {
			first = point
			break
		}
	}
	near(t, "time to the cut-out", first.AtS, loadedS, 1e-9)
	meanPa := m.CutInPa + net/slope - (m.CutOutPa-m.CutInPa)*tau/loadedS
	short := play(t, p, []Stretch{{StartPa: m.CutInPa, Segments: []Segment{{loadedS - 1e-9, demand.DemandM3S, demand.AtPa, demand.FollowM3SPerPa}}}}, Options{})
	near(t, "mean pressure while loaded", short.MeanPa, meanPa, 1e-3)
	near(t, "energy while loaded", short.EnergyJ, loadedS*m.FullPowerW*(1+m.PowerPerPa*(meanPa-m.RatedPa)), 1)
}

// TestBlowDown: the energy of an unload is the integral of the decay (by hand).
func TestBlowDown(t *testing.T) {
	p := shop(func(p *Plant, m *Machine) { m.UnloadStartW, m.BlowDownS = 12e3, 20 })
	m := &p.Machines[0]
	d := steady(p, 0.1, 30)
	d[0].Begin = []Begin{{State: Loaded, ForS: 1000, SinceS: 1e4}} // at the cut-out: unloads at once
	r := play(t, p, d, Options{})
	want := m.UnloadedW*30 + (m.UnloadStartW-m.UnloadedW)*m.BlowDownS*(1-math.Exp(-30/m.BlowDownS))
	near(t, "energy unloaded", r.Machines[0].EnergyJ[Unloaded], want, 1e-6)
	near(t, "energy", r.EnergyJ, want, 1e-6)
}

// TestCollapse: a demand of twice the capacity ends where the machine delivers what
// still flows, and what users did not get is counted.
func TestCollapse(t *testing.T) {
	p := shop()
	m := &p.Machines[0]
	r := play(t, p, steady(p, 2, 7200), Options{Trace: true})
	// In proportion to absolute pressure: half the flow at half the absolute pressure.
	want := (p.MinimumPa+p.OutsidePa)/2 - p.OutsidePa
	near(t, "settled pressure", r.LowestPa, want, 1)
	near(t, "air asked for", r.AskedM3, 2*m.FullFlowM3S*7200, 1e-9)
	near(t, "short", r.ShortM3, r.AskedM3-r.ServedM3, 1e-9*r.AskedM3)
	if r.ShortS < 7000 || r.ShortS >= 7200 {
		t.Errorf("short for %g s", r.ShortS)
	}
	r = play(t, p, steady(p, 1000, 7200), Options{})
	if !(r.LowestPa > 0 && r.LowestPa < p.OutsidePa) {
		t.Errorf("a demand without bounds takes the pressure to %g Pa", r.LowestPa)
	}
	p.Machines[0].On = []Span{} // never: nobody makes air
	r = play(t, p, steady(p, 0.5, 7200), Options{})
	near(t, "pressure without a machine", r.HighestPa-r.StoredM3*-p.InletPa/p.VolumeM3, 0, 1e-3)
}

// TestRestless: what turns faster than any machine could ends with its name.
func TestRestless(t *testing.T) {
	p := shop(func(p *Plant, m *Machine) { p.VolumeM3, m.Name = 1e-6, "tiny" })
	_, err := Play(p, steady(p, 0.5, 3600), Options{})
	if !errors.Is(err, ErrRestless) || err.Error()[:12] != "machine tiny" {
		t.Errorf("got %v", err)
	}
}

// TestStop ends a play from outside.
func TestStop(t *testing.T) {
	p := shop()
	asked := 0
	_, err := Play(p, steady(p, 0.5, 1e7), Options{Stop: func() bool { asked++; return asked == 2 }})
	if !errors.Is(err, ErrStopped) {
		t.Errorf("got %v", err)
	}
}

// TestWatch: the lowest pressure and the time below the least are those of the times
// that are watched (by hand: the receiver falls evenly from 110 psi, 0.5·100 cfm).
func TestWatch(t *testing.T) {
	p := shop(func(p *Plant, m *Machine) { m.On, p.Watch = []Span{}, []Span{{5, 10}, {20, 30}} })
	fall := 0.5 * p.Machines[0].FullFlowM3S * p.InletPa / p.VolumeM3
	p.MinimumPa = p.Machines[0].CutOutPa - 8*fall
	d := steady(p, 0.5, 15)
	r := play(t, p, d, Options{})
	near(t, "lowest pressure", r.LowestPa, p.MinimumPa-fall*(p.MinimumPa+p.OutsidePa)/fall*(1-math.Exp(-2*fall/(p.MinimumPa+p.OutsidePa))), 1)
	near(t, "at", r.LowestAtS, 10, 1e-9)
	near(t, "below the least pressure", r.ShortS, 2, 1e-9)
	p.Watch = []Span{{100, 200}}
	if r = play(t, p, d, Options{}); !math.IsNaN(r.LowestPa) || r.ShortS != 0 || r.ShortM3 != 0 {
		t.Errorf("never watched: lowest %g Pa, below for %g s, short %g m³", r.LowestPa, r.ShortS, r.ShortM3)
	}
}
