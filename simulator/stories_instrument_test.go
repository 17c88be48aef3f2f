package simulator

import (
	"encoding/binary"
	"math"
	"testing"
	"time"
)

// tellPumpUp holds the test that the story is about to the law that the test
// rests on: the volume times the rise of pressure over the barometer is the air
// that came in, less what the shut valve lets by.
func tellPumpUp(t *testing.T, g *staged) {
	shut := g.w.truth.Valves(g.start, g.end)
	if len(shut) != 1 || !shut[0].From.Equal(g.time(g.at(t, "Sat 09:00"))) || shut[0].To.Sub(shut[0].From) != 45*time.Minute {
		t.Fatalf("the valve was shut %+v, want once, on Saturday from 09:00 for 45 minutes", shut)
	}
	plant := g.w.truth.Plant(shut[0].From, shut[0].To)
	within(t, "air through the shut valve, m³", plant.HeaderM3, 0.02, 0.3)
	within(t, "air let down, m³", plant.DrainedM3, 40, 70)
	within(t, "air used behind the shut valve, m³", plant.UsedM3, 0, 0.01)
	receiver := g.w.scenario.Parts[1].VolumeM3
	for _, from := range []string{"Sat 09:05", "Sat 09:17", "Sat 09:29"} {
		i := g.at(t, from)
		low, high := i, i+7*60-1
		sum, err := g.w.truth.Totals("comp1", g.time(low), g.time(high))
		if err != nil {
			t.Fatal(err)
		}
		lowPa, highPa := g.samples[0][low].systemPa, g.samples[0][high].systemPa
		within(t, from+" pressure before, psi", lowPa/psiPa, 2, 20)
		within(t, from+" pressure after, psi", highPa/psiPa, 110, 122)
		within(t, from+" loaded, s", sum.States[Loaded].Seconds(), 180, 300)
		stored := receiver * (highPa - lowPa) / g.w.scenario.BarometerPa
		within(t, from+" stored over delivered air", stored/sum.DeliveredM3, 0.99, 1)
		if sum.Starts != 1 {
			t.Errorf("%s: %d starts, want one", from, sum.Starts)
		}
	}
	// After it is opened the mains fill again.
	if i := g.at(t, "Sat 10:00"); math.Abs(g.samples[0][i].systemPa/psiPa-108) > 15 {
		t.Errorf("a quarter of an hour later the receiver holds %.0f psi", g.samples[0][i].systemPa/psiPa)
	}
}

// tellBiased reads what the instruments show and what is there.
func tellBiased(t *testing.T, g *staged) {
	i := g.at(t, "Wed 10:00")
	w, err := New(g.w.scenario, g.start.Add(-12*time.Hour))
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for at, until := g.time(i), g.time(i).Add(20*time.Minute); at.Before(until); at = at.Add(20 * time.Second) {
		w.Advance(at)
		var snap snapshot
		for k, c := range w.machines {
			controller, meter := w.devices[2*k], w.devices[2*k+1]
			w.look(&snap, k)
			if off := float64(binary.BigEndian.Uint16(read(t, controller, 4, 2, 1)))/10 - snap.receiverPa/psiPa; math.Abs(off-1.8) > 0.5 {
				t.Errorf("%s: the gauge is off by %.2f psi, want 1.8", controller.Name(), off)
			}
			if c.state != Loaded {
				continue
			}
			n++
			shown := float64(math.Float32frombits(uint32(binary.BigEndian.Uint32(read(t, meter, 4, 8, 2)))))
			if off := shown*1e3/snap.activeW - 1; math.Abs(off+0.015) > 0.06 {
				t.Errorf("%s: the power is off by %.1f %%", meter.Name(), 100*off)
			}
		}
		w.look(&snap, 0)
		if off := float64(binary.BigEndian.Uint16(read(t, w.devices[4], 4, 1, 1)))/10*cfm/snap.headerM3S - 1; snap.headerM3S > 0.01 && math.Abs(off-0.02) > 0.04 {
			t.Errorf("the flow is off by %.1f %%, want 2", 100*off)
		}
	}
	within(t, "readings of a loaded machine", float64(n), 20, 120)
	for k := range g.w.machines {
		sum := g.w.machines[k].count.EnergyJ
		meter := g.w.devices[2*k+1]
		counted := float64(binary.BigEndian.Uint64(read(t, meter, 4, 16, 4))-g.w.scenario.Machines[k].InitialWh) * 3600
		within(t, meter.Name()+": counted over true energy", counted/sum, 0.9849, 0.9851)
		within(t, meter.Name()+": energy, kWh", sum/3.6e6, 100, 5000)
	}
}
