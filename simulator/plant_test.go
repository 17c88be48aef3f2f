package simulator

import (
	"math"
	"strconv"
	"testing"
	"time"

	"loadscribe/testdata/vectors"
)

const cfmM3S = 0.3048 * 0.3048 * 0.3048 / 60

// What goes in comes out or stays, in the sump and in the plant.
func TestAirIsConserved(t *testing.T) {
	if testing.Short() {
		t.Skip("one goroutine, and slow under the race detector; not under -short")
	}
	w := world(t, 6*time.Hour, nil)
	sumpBefore, plantBefore := w.machines[0].sump.freeM3, w.initial-w.machines[0].sump.freeM3
	w.Advance(w.Now().Add(30 * time.Hour))
	c := w.machines[0]
	if c.count.DeliveredM3 < 500 {
		t.Fatalf("only %.1f m³ delivered: nothing was tried", c.count.DeliveredM3)
	}
	sumpGain := c.sump.freeM3 - sumpBefore
	plantGain := w.storedM3() - c.sump.freeM3 - plantBefore
	if got := c.count.InletM3 - c.count.BlownM3 - c.count.DeliveredM3 - sumpGain; math.Abs(got) > 1e-6*c.count.InletM3 {
		t.Errorf("sump: %g m³ of %g are missing", got, c.count.InletM3)
	}
	if got := c.count.DeliveredM3 - w.plant.UsedM3 - w.plant.LeakedM3 - plantGain; math.Abs(got) > 1e-6*c.count.DeliveredM3 {
		t.Errorf("plant: %g m³ of %g are missing", got, c.count.DeliveredM3)
	}
}

// Receiver timing, single band: t_load = V·ΔP/(Pa·(C-D)), t_unload = V·ΔP/(Pa·D)
// (textbook; computed). ΔP is what the receiver really swings through, C the
// true flow at the mean sump pressure. The machine adds a delivery delay to its
// loaded time and the valve's closing to its unloaded time; those are taken
// from turning point to turning point of the receiver, so 5 % is left for
// pressure inside the pipes and flow that changes with pressure.
func TestReceiverTiming(t *testing.T) {
	for _, share := range []float64{0.2, 0.35, 0.5, 0.65, 0.8} {
		w := world(t, 0, func(s *Scenario) {
			alone(80 * psiPa)(s)
			s.Machines[0].NoLoadStop = 0
			s.Machines[0].FlowFactor = 1
			flow := share * s.Machines[0].RatedFlowM3S
			s.Users = []User{{Name: "steady", Count: 1, FlowM3S: flow, RegulatedPa: 50 * psiPa, On: 1e6 * time.Second, Always: true}}
		})
		w.Advance(w.Now().Add(5 * time.Minute))
		c, receiver := w.machines[0], &w.vessels[w.receiver]
		demandM3S := w.plant.UsedM3
		begin := w.now
		// Turning points of the receiver's pressure.
		var turns []int64
		var pressures []float64
		last, rising := receiver.pressurePa(), false
		inlet, loadedFor := 0.0, 0.0
		run(w, 20*time.Minute, func() {
			p := receiver.pressurePa()
			if p != last && (p > last) != rising {
				rising = p > last
				turns, pressures = append(turns, w.now), append(pressures, last)
			}
			last = p
			if c.state == Loaded && c.outM3S > 0 && c.valve == 1 {
				inlet += c.outM3S * stepS
				loadedFor += stepS
			}
		})
		demandM3S = (w.plant.UsedM3 - demandM3S) / (float64(w.now-begin) * stepS)
		capacity := inlet / loadedFor
		volume := 0.0
		for _, v := range w.vessels {
			volume += v.volumeM3
		}
		checked := 0
		for i := 1; i+1 < len(turns); i++ {
			delta := math.Abs(pressures[i+1] - pressures[i])
			if delta < 50e3 {
				continue
			}
			got := float64(turns[i+1]-turns[i]) * stepS
			net := demandM3S
			if pressures[i+1] > pressures[i] {
				net = capacity - demandM3S
			}
			want := volume * delta / (w.scenario.BarometerPa * net)
			if math.Abs(got-want) > 0.05*want+0.2 {
				t.Errorf("demand %.0f %%: turn %d took %.2f s, want %.2f", 100*share, i, got, want)
			}
			checked++
		}
		if checked < 6 {
			t.Errorf("demand %.0f %%: only %d swings seen", 100*share, checked)
		}
	}
}

// A choked leak follows absolute pressure: its flows at two pressures stand to
// one another as those of a published orifice table (100 % coefficient, read).
func TestLeakFollowsThePublishedTable(t *testing.T) {
	flows := map[string]map[float64]float64{}
	for _, row := range vectors.Read(t, "leak_table.csv") {
		psig, err1 := strconv.ParseFloat(row["pressure_psig"], 64)
		cfm, err2 := strconv.ParseFloat(row["flow_cfm"], 64)
		if err1 != nil || err2 != nil || row["table"] != "orifice_100pct" {
			continue
		}
		key := row["orifice_in"]
		if flows[key] == nil {
			flows[key] = map[float64]float64{}
		}
		flows[key][psig] = cfm
	}
	const atmosphere = 14.7 * psiPa
	compared := 0
	for diameter, column := range flows {
		s := joinery(t, func(s *Scenario) {
			s.BarometerPa = atmosphere
			s.Leak = Leak{FlowM3S: column[100] * cfmM3S, AtPa: 100 * psiPa}
		})
		d := newDemand(s)
		for psig, want := range column {
			_, leaked := d.flows(psig*psiPa+atmosphere, atmosphere)
			if got := leaked / cfmM3S; math.Abs(got-want) > 0.006*want {
				t.Errorf("%s in at %g psig: %.3f cfm, want %.3f", diameter, psig, got, want)
			}
			compared++
		}
	}
	if compared < 50 {
		t.Fatalf("only %d published cells compared", compared)
	}
}

// Bleed-down of a closed plant: cfm of free air at the mean pressure's exact
// logarithmic form (isothermal choked decay; computed in leak_tests.csv).
func TestBleedDown(t *testing.T) {
	w := world(t, 0, func(s *Scenario) {
		alone(115 * psiPa)(s)
		s.BarometerPa = 14.7 * psiPa
		s.Machines[0].Schedule = []Window{{}} // never
		s.Leak = Leak{FlowM3S: 10 * cfmM3S, AtPa: 110 * psiPa}
	})
	volume := 0.0
	for _, v := range w.vessels {
		volume += v.volumeM3
	}
	var at110, at100 int64
	run(w, 20*time.Minute, func() {
		p := w.vessels[0].pressurePa() - w.scenario.BarometerPa
		if at110 == 0 && p <= 110*psiPa {
			at110 = w.now
		}
		if at100 == 0 && p <= 100*psiPa {
			at100 = w.now
		}
	})
	minutes := float64(at100-at110) * stepS / 60
	const factor = 1.042378 // 110 to 100 psig, exact ratio
	got := volume / (cfmM3S * 60) * 10 / (minutes * 14.7) * factor
	if math.Abs(got-10) > 0.02 {
		t.Errorf("bleed-down gives %.3f cfm at 110 psig, want 10", got)
	}
}

func TestLinkFlow(t *testing.T) {
	tests := []struct {
		name                   string
		delta, resistance, per float64
	}{
		{"small sump", 55e3, 7e6, 2e5}, {"nearly level", 1, 7e6, 2e5}, {"no resistance", 40e3, 0, 2e5}, {"stiff", 800e3, 1e5, 1e6},
	}
	for _, tt := range tests {
		q := linkFlow(tt.delta, tt.resistance, tt.per)
		// What is left of the difference at the end of the step is the drop of q.
		left := tt.delta - tt.per*q
		if drop := tt.resistance*q*q + laminarPaSM3*q; q <= 0 || math.Abs(left-drop) > 1e-6*tt.delta {
			t.Errorf("%s: flow %g leaves %g Pa, drop is %g", tt.name, q, left, drop)
		}
	}
	if q := linkFlow(-1e5, 7e6, 2e5); q != 0 {
		t.Errorf("flow %g against the check valve", q)
	}
}
