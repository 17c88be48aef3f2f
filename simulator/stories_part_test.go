package simulator

import (
	"testing"
	"time"
)

// powerShare is the mean package power at a share of the flow between low and
// high, over that at full flow.
func (g *staged) powerShare(t *testing.T, i int, low, high float64) float64 {
	t.Helper()
	part, n, full, m := 0.0, 0.0, 0.0, 0.0
	for _, s := range g.samples[i] {
		switch {
		case s.state == PartLoad && s.share >= low && s.share < high:
			part, n = part+s.powerW, n+1
		case s.state == Loaded:
			full, m = full+s.powerW, m+1
		}
	}
	if n < 600 || m < 60 {
		t.Fatalf("%.0f s at a share of %g to %g, %.0f s at full load: too few", n, low, high, m)
	}
	return part / n / (full / m)
}

func tellThrottling(t *testing.T, g *staged) {
	sum := g.whole(t, 0)
	within(t, "part-load time over running time", sum.States[PartLoad].Seconds()/sum.Running().Seconds(), 0.5, 0.95)
	// Throttling saves little: at half flow a modulating machine takes some
	// 80 to 90 % (sourcebook's curve, memory).
	within(t, "power at 45 to 55 % of the flow over full power", g.powerShare(t, 0, 0.45, 0.55), 0.74, 0.92)
}

func tellShorterRotors(t *testing.T, g *staged) {
	sum := g.whole(t, 0)
	within(t, "part-load time over running time", sum.States[PartLoad].Seconds()/sum.Running().Seconds(), 0.5, 0.95)
	// Rotors of half length still cost well over half (common practice, no source).
	within(t, "power at 50 to 60 % of the flow over full power", g.powerShare(t, 0, 0.50, 0.60), 0.55, 0.75)
}

func tellThreeShifts(t *testing.T, g *staged) {
	trim := g.whole(t, 0)
	within(t, "the trim's part-load time over its running time", trim.States[PartLoad].Seconds()/trim.Running().Seconds(), 0.7, 1)
	within(t, "the trim's power at 45 to 55 % of the flow over full power", g.powerShare(t, 0, 0.45, 0.55), 0.45, 0.62)
	a, b := g.whole(t, 1), g.whole(t, 2)
	within(t, "the first base machine's share of both's air", a.DeliveredM3/(a.DeliveredM3+b.DeliveredM3), 0.3, 0.7)
	used := func(from, until string) float64 {
		a, b := g.time(g.at(t, from)), g.time(g.at(t, until))
		return g.w.truth.Plant(a, b).UsedM3 / b.Sub(a).Hours()
	}
	morning, night, saturday := used("Wed 06:00", "Wed 14:00"), used("Wed 22:00", "Thu 06:00"), used("Sat 08:00", "Sat 20:00")
	within(t, "air of a night shift over a morning's", night/morning, 0.2, 0.7)
	within(t, "air of a Saturday over a morning's", saturday/morning, 0, 0.02)
	within(t, "time below the users' minimum, h", g.w.truth.Plant(g.start, g.end).Low.Hours(), 0, 0.2)
	// The bases take turns: the one that is second loads at a lower pressure.
	lag := map[float64]bool{}
	for range 3 {
		lag[g.w.machines[1].lagPa] = true
		g.w.Advance(g.w.Now().Add(24 * time.Hour))
	}
	if len(lag) != 2 {
		t.Errorf("the first base machine's band was lowered by %v Pa over three days, want by nothing and by the offset", lag)
	}
}

func tellNoLoadBit(t *testing.T, g *staged) {
	low, high := 1e9, 0.0 // of unloaded, settled, and of loaded
	bits := map[State]uint16{}
	w, err := New(g.w.scenario, g.start.Add(7*time.Hour))
	if err != nil {
		t.Fatal(err)
	}
	controller, err := w.Device("controller")
	if err != nil {
		t.Fatal(err)
	}
	for range 7200 {
		w.Advance(w.Now().Add(time.Second))
		c := w.machines[0]
		bits[c.state] |= register(t, controller, 4, 0)
		switch {
		case c.state == Loaded && c.inState > 100:
			low = min(low, c.activeW)
		case c.state == Unloaded && c.inState > 10*perS:
			high = max(high, c.activeW)
		}
	}
	if bits[Loaded] != bitRunning || bits[Unloaded] != bitRunning || bits[Standby] != 0 {
		t.Errorf("status by state %v: want nothing but the running bit", bits)
	}
	within(t, "greatest power 10 s after unloading over least loaded power", high/low, 0.2, 0.8)
}

func tellCoarse(t *testing.T, g *staged) {
	w, err := New(g.w.scenario, g.start.Add(9*time.Hour))
	if err != nil {
		t.Fatal(err)
	}
	controller, err := w.Device("controller")
	if err != nil {
		t.Fatal(err)
	}
	begin := w.start.Add(20 * time.Minute) // by then the plant is at pressure
	w.Advance(begin)
	changes, seen := 0, map[uint16]bool{}
	last := register(t, controller, 3, 41)
	for k := 1; k < 4*1800; k++ {
		w.Advance(begin.Add(time.Duration(k) * 250 * time.Millisecond))
		now := register(t, controller, 3, 41)
		if now != last && k%4 != 0 {
			t.Fatalf("poll %d: the register changed between its refreshes", k)
		}
		if now != last {
			changes++
		}
		if off := float64(now) - (w.machines[0].dischargePa-w.scenario.BarometerPa)/psiPa; k%4 == 0 && (off > 0.51 || off < -0.51) {
			t.Fatalf("poll %d: %d psi is off by %.2f", k, now, off)
		}
		last, seen[now] = now, true
	}
	within(t, "changes of the pressure in half an hour", float64(changes), 100, 1800)
	within(t, "pressures seen", float64(len(seen)), 15, 60)
}
