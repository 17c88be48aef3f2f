package analysis

import (
	"math"
	"testing"
	"time"

	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// electric is plant with a meter that has these channels in place of power and
// energy.
func electric(t testing.TB, channels ...sitefile.MapChannel) *sitefile.Site {
	t.Helper()
	site := plant(t)
	roles := site.Machines[0].Roles
	delete(roles, scan.Power)
	delete(roles, scan.Energy)
	for _, c := range channels {
		roles[c.Role] = "meter." + c.Name
	}
	site.Devices[1].Map.Channels = channels
	return site
}

// volts, amperes and power factor of a meter in tenths, tenths and hundredths.
func threePhase(t testing.TB) *sitefile.Site {
	t.Helper()
	const s = time.Second
	return electric(t,
		mapChannel(t, "amps", scan.MotorCurrent, "u16", 0.1, "A", s),
		mapChannel(t, "vab", scan.VoltageAB, "u16", 0.1, "V", s),
		mapChannel(t, "vbc", scan.VoltageBC, "u16", 0.1, "V", s),
		mapChannel(t, "vca", scan.VoltageCA, "u16", 0.1, "V", s),
		mapChannel(t, "pf", scan.PowerFactor, "i16", 0.01, "1", s))
}

// TestSlots: power by five minutes of clock time adds up to the quarter hour,
// and each slot holds the pairs whose later reading lies in it.
func TestSlots(t *testing.T) {
	site := plant(t)
	tp := newTape(site, monday)
	for sec := int64(0); sec < 900; sec++ {
		loaded := int64(1)
		if sec >= 450 {
			loaded = 0
		}
		tp.add("controller", sec*1000, 1, loaded, 0, 0, 7000, 1)
		tp.add("meter", sec*1000, 100+200*(sec/300), sec/10)
	}
	for _, p := range fold(site, tp.scans).pieces {
		if p.Key != MachineKey("comp1") {
			continue
		}
		d, err := decodeDelta(p.Delta, p.StartMS)
		if err != nil {
			t.Fatal(err)
		}
		// Tenths of a kilowatt, twice, times ms: 299 pairs in the first slot, as
		// the pair that ends at 300 s belongs to the second.
		wants := []struct{ all, unloadedS, running, counter int64 }{
			{2 * 100 * 299_000, 0, 299_000, 29}, {400_000 + 2*300*299_000, 149, 300_000, 30}, {800_000 + 2*500*299_000, 300, 300_000, 30}}
		for i, want := range wants {
			s := d.slots[i]
			if s.all.twice != MulInt64(want.all, 1) || s.running.ms != want.running || s.counter != want.counter {
				t.Errorf("slot %d: %v, running %d ms, counter %d; want %+v", i, s.all.twice, s.running.ms, s.counter, want)
			}
			if got := s.unloaded.ms / 1000; got != want.unloadedS {
				t.Errorf("slot %d: %d s unloaded, want %d", i, got, want.unloadedS)
			}
		}
	}
}

// TestReckonedPower: √3·U·I·cosφ of each reading, the mean of the three line
// voltages, summed as metered power is. The state's sums are products of
// readings, not of means: with current and power factor falling together the
// product of the means would be 12 % off.
func TestReckonedPower(t *testing.T) {
	site := threePhase(t)
	tp := newTape(site, monday)
	var want float64 // J
	for sec := int64(0); sec <= 900; sec++ {
		loaded, amps, pf := int64(1), int64(600), int64(86)
		if sec >= 450 {
			loaded, amps, pf = 0, 300, -45 // the sign says leading, in some meters
		}
		tp.add("controller", sec*1000, 1, loaded, 0, 0, 7000, 1)
		tp.add("meter", sec*1000, amps, 4600, 4630, 4570, pf)
		if sec < 899 { // pairs wholly in the cell, as trapezoids
			w := math.Sqrt(3) * 460 * float64(amps) / 10 * math.Abs(float64(pf)) / 100
			if sec == 449 {
				w = (w + math.Sqrt(3)*460*30*0.45) / 2
			}
			want += w
		}
	}
	m := fold(site, tp.scans)
	g, err := gather(m, machineSpec(site, sitefile.Groups(site), &site.Machines[0], Levels{}), monday, monday+cellMS, nil)
	if err != nil {
		t.Fatal(err)
	}
	drawn := g.cells[0].d.drawn()
	got := g.sp.chans[g.sp.draw].integral(drawn).v
	if math.Abs(got-want) > 0.05*900 { // rounded to a tenth of a watt each time
		t.Errorf("%.1f J, want %.1f J", got, want)
	}
	if drawn.ms != 899_000 {
		t.Errorf("over %d ms, want 899 s", drawn.ms)
	}
}
