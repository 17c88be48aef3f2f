package analysis

import (
	"math"
	"strings"
	"testing"

	"loadscribe/testdata/vectors"
)

// storagePlant is a plant whose air follows its storage exactly: a machine of
// flow m³/s loads at low and unloads at high, gauge Pa, while demand is drawn.
type storagePlant struct {
	volumeM3, flow, demand, inletPa float64
	low, high                       float64
	delayS, closingS                float64 // until air flows after a load, and stops after an unload
	dropPa                          float64 // between the gauge and the storage while air flows
}

// tape reads it each second for some hours.
func (p *storagePlant) tape(t testing.TB, hours int64) *memory {
	t.Helper()
	site := plant(t)
	tp := newTape(site, monday)
	const step = 0.1
	pa, loaded, since := p.high, false, math.Inf(-1)
	for i := int64(0); i < hours*36_000; i++ {
		now := float64(i) * step
		switch {
		case loaded && pa >= p.high, !loaded && pa <= p.low:
			loaded, since = !loaded, now
		}
		flow := loaded && now >= since+p.delayS || !loaded && now < since+p.closingS
		net, gauge := -p.demand, pa
		if flow {
			net, gauge = net+p.flow, pa+p.dropPa
		}
		if i%10 == 0 {
			bit := int64(0)
			if loaded {
				bit = 1
			}
			tp.add("controller", i*100, 1, bit, 0, 0, int64(math.Round(gauge/100)), 3)
		}
		pa += net * step * p.inletPa / p.volumeM3
	}
	return fold(site, tp.scans)
}

// textbook is the published storage of testdata/vectors/storage.csv: 100 cfm drawn
// for two minutes take 117.6 ft³ from 125 to 100 psi, at 14.7 psia. Source: an open
// textbook that cites the compressed-air handbook (read). The machine gives twice
// what is drawn there, and a share of that is drawn here.
func textbook(t testing.TB, share float64) *storagePlant {
	t.Helper()
	const psi, cubicFoot = 6894.757, 0.028316846592
	row := vectors.Read(t, "storage.csv")[0]
	flow := 2 * number(t, row["C_cfm"]) * cubicFoot / 60
	return &storagePlant{volumeM3: number(t, row["printed_ft3"]) * cubicFoot, flow: flow, demand: share * flow,
		inletPa: number(t, row["Pa_psia"]) * psi, low: number(t, row["P2_psig"]) * psi, high: number(t, row["P1_psig"]) * psi}
}

// TestStorageTextbook: the slopes give the textbook's volume back, a machine of
// twice the demand cycles each 4·V·ΔP/(Pa·C), and at more or less demand it cycles
// less often, t_load = V·ΔP/(Pa·(C−D)), t_unload = V·ΔP/(Pa·D).
func TestStorageTextbook(t *testing.T) {
	for _, share := range []float64{0.5, 0.3, 0.7} {
		p := textbook(t, share)
		site := plant(t)
		site.BarometerPa = p.inletPa
		site.Machines[0].RatedFlowM3S = p.flow / flowMiddle
		site.Systems[0].Parts[0].VolumeM3 = 0
		rep := mustCompute(t, p.tape(t, 4), site, monday, monday+4*hourMS)
		// The textbook's air is dry; ours is taken to be half saturated at 20 °C, of
		// whose pressure half of 2338.8 Pa (handbook, read) is water that is not stored.
		dry := 1 - 0.5*2338.8/p.inletPa
		check(t, systemFigure(t, rep, "volume_per_flow"), dry*p.volumeM3/p.flow, 0.004*p.volumeM3/p.flow)
		check(t, systemFigure(t, rep, "effective_volume"), dry*p.volumeM3, 0.004*p.volumeM3)
		// 117.6 ft³ and 200 cfm, 25 psi: 2 min of either at half.
		cycleS := p.volumeM3 * (p.high - p.low) / p.inletPa * (1/p.demand + 1/(p.flow-p.demand))
		if share == 0.5 && math.Abs(cycleS-240) > 0.1 {
			t.Errorf("cycle of %.2f s, the textbook's is 2 min of fall and 2 min of rise", cycleS)
		}
		check(t, figureOf(t, rep, "load_cycles_per_hour"), 3600/cycleS, 0.3)
		if share != 0.5 && !(cycleS > 240) {
			t.Errorf("cycle of %.1f s at %.0f %% demand, want more than at half", cycleS, 100*share)
		}
	}
}

// TestDeliveryDelayExact: air that leaves 4.3 s after the load, at a gauge that
// shows 30 kPa more while it flows, and stops half a second after the unload.
func TestDeliveryDelayExact(t *testing.T) {
	p := textbook(t, 0.43)
	p.delayS, p.closingS, p.dropPa = 4.3, 0.5, 30_000
	site := plant(t)
	site.BarometerPa = p.inletPa
	rep := mustCompute(t, p.tape(t, 6), site, monday, monday+6*hourMS)
	f := figureOf(t, rep, "delivery_delay")
	check(t, f, 4.3, 0.3)
	if !strings.Contains(f.Method, "the drop of its flow, 30") && !strings.Contains(f.Method, "the drop of its flow, 29.") {
		t.Errorf("method %q does not tell the drop of 30 kPa", f.Method)
	}
	// The balance takes the same drop for a pressure read at the outlet.
	site.Systems[0].Taps = nil
	rep = mustCompute(t, p.tape(t, 6), site, monday, monday+6*hourMS)
	if d := systemFigure(t, rep, "air_demand_mean"); !strings.Contains(d.Method, "kPa at full flow by what it falls with each unload") {
		t.Errorf("demand %v (%s): method %q does not take the drop that the unloads show", d.Value, d.Absent, d.Method)
	}
}

// TestDelayOfShortRests: a delay that the pressure shows is that of loads after the rests
// there are, here half a minute, and so not shortened for them again: the demand is
// what is drawn.
func TestDelayOfShortRests(t *testing.T) {
	p := textbook(t, 0.5)
	p.delayS, p.closingS, p.volumeM3 = 4, 0, p.volumeM3/5
	site := plant(t)
	site.BarometerPa = p.inletPa
	site.Machines[0].RatedFlowM3S = p.flow / flowMiddle
	site.Systems[0].Parts[0].VolumeM3 = p.volumeM3
	rep := mustCompute(t, p.tape(t, 6), site, monday, monday+6*hourMS)
	check(t, figureOf(t, rep, "delivery_delay"), 4, 0.6)
	check(t, systemFigure(t, rep, "air_demand_mean"), 60*p.demand, 1.2*p.demand) // a second of delay is 3.5 %
}

// TestUnlikeVolume: a site file that says half of what follows the pressure is
// contradicted; one that is right is not, and its volume is the figure.
func TestUnlikeVolume(t *testing.T) {
	p := textbook(t, 0.5)
	m := p.tape(t, 4)
	for _, c := range []struct {
		m3     float64
		unlike bool
	}{{p.volumeM3, false}, {p.volumeM3 / 2, true}} {
		site := plant(t)
		site.BarometerPa = p.inletPa
		site.Machines[0].RatedFlowM3S = p.flow / flowMiddle
		site.Systems[0].Parts[0].VolumeM3 = c.m3
		rep := mustCompute(t, m, site, monday, monday+4*hourMS)
		check(t, systemFigure(t, rep, "effective_volume"), c.m3, 0)
		said := false
		for _, f := range rep.Systems[0].Findings {
			said = said || f.Kind == findingContradictory && strings.Contains(f.Sentence, "behaves as")
		}
		if said != c.unlike {
			t.Errorf("site file of %.2f m³, truly %.2f m³: contradicted %t, want %t", c.m3, p.volumeM3, said, c.unlike)
		}
	}
}

// TestStorageUnknown: what storage cannot be told from says why.
func TestStorageUnknown(t *testing.T) {
	p := textbook(t, 0.5)
	p.low = p.high - 3000 // loads for seconds
	rep := mustCompute(t, p.tape(t, 1), plant(t), monday, monday+hourMS)
	if f := systemFigure(t, rep, "volume_per_flow"); !strings.Contains(f.Absent, "show the pressure on both sides long enough") {
		t.Errorf("volume_per_flow of short loads: %+v", f)
	}
	if f := figureOf(t, rep, "delivery_delay"); !strings.Contains(f.Absent, "of each are needed") {
		t.Errorf("delivery_delay of short loads: %+v", f)
	}
}

// TestEdgesAreThinned: of very many edges, evenly some are taken, and the same
// whatever runs they come in.
func TestEdgesAreThinned(t *testing.T) {
	var all []airEdge
	for i := int64(0); i < 3*maxEdges; i++ {
		all = append(all, airEdge{wall: i})
	}
	whole, parts := newGathered(newSpec("", ""), 0, 1, nil), newGathered(newSpec("", ""), 0, 1, nil)
	whole.addEdges(all)
	for at := 0; at < len(all); at += 7 {
		parts.addEdges(all[at:min(at+7, len(all))])
	}
	if len(whole.total.edges) != len(parts.total.edges) || len(whole.total.edges) > maxEdges {
		t.Fatalf("%d and %d edges of at most %d", len(whole.total.edges), len(parts.total.edges), maxEdges)
	}
	for i := range whole.total.edges {
		if whole.total.edges[i] != parts.total.edges[i] || whole.total.edges[i].wall != 4*int64(i) {
			t.Fatalf("edge %d is %d and %d, want %d", i, whole.total.edges[i].wall, parts.total.edges[i].wall, 4*i)
		}
	}
}
