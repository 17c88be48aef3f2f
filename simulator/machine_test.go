package simulator

import (
	"encoding/binary"
	"math"
	"testing"
	"time"
)

// run collects what a test wants to see, every step until the end.
func run(w *World, d time.Duration, see func()) {
	for end := w.Now().Add(d); w.Now().Before(end); {
		w.Advance(w.Now().Add(stepDur))
		see()
	}
}

// With a no-load time T the machine stops T after unloading began unless
// pressure falls first; T from 1 to 10 minutes is usual (common practice, no
// source), anything else is accepted too.
func TestNoLoadStop(t *testing.T) {
	for _, stop := range []time.Duration{
		5 * time.Second, time.Minute, 2 * time.Minute, 4 * time.Minute, 7*time.Minute + 30*time.Second, 10 * time.Minute, 45 * time.Minute,
	} {
		w := world(t, 0, func(s *Scenario) {
			alone(80 * psiPa)(s)
			s.Machines[0].NoLoadStop = stop
		})
		w.Advance(w.Now().Add(stop + 5*time.Minute))
		list, err := w.Truth().Transitions("comp1", w.start, w.Now())
		if err != nil {
			t.Fatal(err)
		}
		last := list[len(list)-1]
		before := list[len(list)-2]
		if last.State != Standby || before.State != Unloaded {
			t.Fatalf("no_load_stop %v: ended %v then %v, want unloaded then standby", stop, before.State, last.State)
		}
		if got := last.Time.Sub(before.Time); got != stop {
			t.Errorf("no_load_stop %v: stopped %v after unloading began", stop, got)
		}
	}
}

func TestNoLoadStopYieldsToFallingPressure(t *testing.T) {
	w := world(t, 0, func(s *Scenario) {
		alone(80 * psiPa)(s)
		s.Machines[0].NoLoadStop = 10 * time.Minute
		s.Leak = Leak{FlowM3S: 30 * 0.00047194745, AtPa: 100 * psiPa} // 30 cfm: about 2 minutes through the band
	})
	w.Advance(w.Now().Add(2 * time.Hour))
	sum, err := w.Truth().Totals("comp1", w.start, w.Now())
	if err != nil {
		t.Fatal(err)
	}
	if sum.Starts != 1 || sum.LoadCycles < 20 {
		t.Errorf("starts %d, load cycles %d, want 1 start and many cycles", sum.Starts, sum.LoadCycles)
	}
}

// A scheduled start at 06:55 and stop at 16:05 for a shift from 07:00 to 16:00
// (common practice, no source), over a change of the clocks on 8 March 2026.
func TestScheduleInLocalTime(t *testing.T) {
	w := joineryDays(t)
	for day := range 12 {
		from := monday(w.scenario).AddDate(0, 0, day)
		list, err := w.Truth().Transitions("comp1", from.Add(time.Second), from.AddDate(0, 0, 1))
		if err != nil {
			t.Fatal(err)
		}
		if wd := from.Weekday(); wd == time.Saturday || wd == time.Sunday {
			if len(list) != 0 {
				t.Errorf("%s: %d transitions on a day off, first %+v", from.Format(time.DateOnly), len(list), list[0])
			}
			continue
		}
		first, last := list[0], list[len(list)-1]
		if got := first.Time.Format("15:04:05"); got != "06:55:00" || first.State != Starting {
			t.Errorf("%s: first %v at %s, want starting at 06:55:00", from.Format(time.DateOnly), first.State, got)
		}
		if got := last.Time.Format("15:04:05"); got != "16:05:00" || last.State != Off {
			t.Errorf("%s: last %v at %s, want off at 16:05:00", from.Format(time.DateOnly), last.State, got)
		}
	}
}

// The least time between starts holds; while it waits the machine is on standby
// and lets the pressure fall below cut-in, and it starts by itself as soon as
// it may.
func TestStartsGuard(t *testing.T) {
	const guard = 20 * time.Minute
	w := world(t, 0, func(s *Scenario) {
		alone(80 * psiPa)(s)
		s.Machines[0].LeastStarts = guard
		s.Machines[0].NoLoadStop = time.Minute
		s.Leak = Leak{FlowM3S: 14 * 0.00047194745, AtPa: 100 * psiPa}
	})
	waiting := 0
	run(w, 4*time.Hour, func() {
		if c := w.machines[0]; c.state == Standby && c.dischargePa-c.barometerPa < c.spec.CutInPa {
			waiting++
		}
	})
	var starts []time.Time
	list, err := w.Truth().Transitions("comp1", w.start, w.Now())
	if err != nil {
		t.Fatal(err)
	}
	for _, tr := range list {
		if tr.State == Starting {
			starts = append(starts, tr.Time)
		}
	}
	if len(starts) < 8 || waiting == 0 {
		t.Fatalf("%d starts, %d steps waiting below cut-in: the guard was not tried", len(starts), waiting)
	}
	for i := 1; i < len(starts); i++ {
		if got := starts[i].Sub(starts[i-1]); got != guard {
			t.Errorf("start %d comes %v after the one before, want %v", i+1, got, guard)
		}
	}
}

// Any band is accepted: from 45 to 145 psi is usual (common practice, no
// source), and beyond.
func TestBands(t *testing.T) {
	for _, band := range [][2]float64{{45, 60}, {45, 145}, {95, 120}, {130, 145}, {137, 145}, {30, 40}, {160, 190}} {
		w := world(t, 0, func(s *Scenario) {
			alone(20 * psiPa)(s)
			m := &s.Machines[0]
			m.CutInPa, m.CutOutPa, m.NoLoadStop = band[0]*psiPa, band[1]*psiPa, 0
			m.MinPressurePa = min(m.MinPressurePa, 0.8*m.CutInPa)
			s.Leak = Leak{FlowM3S: 0.03, AtPa: m.CutInPa}
		})
		c := w.machines[0]
		w.Advance(w.Now().Add(20 * time.Minute))
		low, high := math.Inf(1), 0.0
		run(w, 20*time.Minute, func() {
			low = math.Min(low, c.dischargePa-c.barometerPa)
			high = math.Max(high, c.dischargePa-c.barometerPa)
		})
		// It may pass the settings by what flows while valve and sump follow.
		if low > band[0]*psiPa || low < (band[0]-4)*psiPa || high < band[1]*psiPa || high > (band[1]+2)*psiPa {
			t.Errorf("band %g-%g psi: saw %.1f-%.1f", band[0], band[1], low/psiPa, high/psiPa)
		}
	}
}

// In wye connection the line current is a third of that of a direct start:
// 600 A becomes 200 A (trade article, read; figures computed).
func TestWyeDeltaStart(t *testing.T) {
	peak := func(starting string) (wyeA float64, started time.Duration) {
		w := world(t, 0, func(s *Scenario) {
			alone(80 * psiPa)(s)
			s.Machines[0].Motor.Starting = starting
			s.Machines[0].Motor.DirectStartA = 600
		})
		c := w.machines[0]
		run(w, 20*time.Second, func() {
			if c.state == Starting && (starting == "direct" || c.inState < c.wyeSteps) {
				wyeA = math.Max(wyeA, c.motor.lineCurrentA(c.motor.volts))
			}
			if c.state == Starting {
				started = time.Duration(c.inState) * stepDur
			}
		})
		if c.state != Loaded {
			t.Errorf("%s: %v after 20 s, want loaded", starting, c.state)
		}
		return wyeA, started
	}
	wye, started := peak("wye-delta")
	direct, _ := peak("direct")
	if math.Abs(wye-200) > 10 || math.Abs(direct-600) > 30 {
		t.Errorf("start current %.0f A in wye and %.0f A direct, want about 200 and 600", wye, direct)
	}
	if want := 7 * time.Second; started < want-stepDur || started > want {
		t.Errorf("starting lasted %v, want %v (5 s in wye, 2 s in delta)", started, want)
	}
}

// Unloaded power is 15 to 35 % of full load (sourcebook, memory), and full load
// at rated flow and pressure is the nameplate.
func TestPowerLevels(t *testing.T) {
	w := world(t, 0, func(s *Scenario) {
		alone(80 * psiPa)(s)
		s.Machines[0].NoLoadStop = 0
		s.Machines[0].CutOutPa = 125 * psiPa
	})
	c := w.machines[0]
	var full, settled, early, pfFull, pfIdle float64
	run(w, 10*time.Minute, func() {
		switch {
		case c.state == Loaded && c.valve == 1:
			full, pfFull = c.activeW, c.activeW/math.Hypot(c.activeW, c.reactiveW)
		case c.state == Unloaded && c.valve == 0 && early == 0 && full > 0:
			early = c.activeW
		}
		settled, pfIdle = c.activeW, c.activeW/math.Hypot(c.activeW, c.reactiveW)
	})
	t.Logf("full %.1f kW (pf %.2f), just unloaded %.1f kW, settled %.1f kW (pf %.2f)", full/1e3, pfFull, early/1e3, settled/1e3, pfIdle)
	if math.Abs(full-37e3) > 0.02*37e3 {
		t.Errorf("full load %.2f kW at 125 psi, want 37 within 2 %%", full/1e3)
	}
	if share := settled / full; share < 0.15 || share > 0.35 {
		t.Errorf("settled unloaded power is %.1f %% of full, want 15 to 35", 100*share)
	}
	if early < 1.5*settled {
		t.Errorf("just after unloading %.1f kW, settled %.1f kW: no blow-down to be seen", early/1e3, settled/1e3)
	}
	if pfFull < 0.82 || pfFull > 0.9 || pfIdle > 0.65 {
		t.Errorf("power factor %.2f loaded and %.2f unloaded, want about 0.86 and well below", pfFull, pfIdle)
	}
}

// The sump comes down to a tenth of the way in the time the scenario says, and
// nothing leaves it below the minimum-pressure valve.
func TestBlowDownAndDeliveryDelay(t *testing.T) {
	w := world(t, 0, func(s *Scenario) {
		alone(80 * psiPa)(s)
		s.Leak = Leak{FlowM3S: 0.01, AtPa: 100 * psiPa}
		s.Machines[0].NoLoadStop = 0
	})
	c := w.machines[0]
	var unloadedAt, loadedAt int64
	var tenth, delay time.Duration
	begin, valveBefore := 0.0, 0.0
	run(w, 20*time.Minute, func() {
		p := c.sump.pressurePa() - c.barometerPa
		if c.outM3S > 0 && p < c.spec.MinPressurePa-1e3 {
			t.Fatalf("air left the sump at %.1f psi", p/psiPa)
		}
		if c.valve == 0 && valveBefore > 0 && unloadedAt == 0 {
			unloadedAt, begin = w.now, p
		}
		valveBefore = c.valve
		if unloadedAt > 0 && tenth == 0 && p-c.spec.ResidualPa <= 0.1*(begin-c.spec.ResidualPa) {
			tenth = time.Duration(w.now-unloadedAt) * stepDur
		}
		if tenth > 0 && loadedAt == 0 && c.state == Loaded {
			loadedAt = w.now
		}
		if loadedAt > 0 && delay == 0 && c.outM3S > 0 {
			delay = time.Duration(w.now-loadedAt) * stepDur
		}
	})
	if tenth < 38*time.Second || tenth > 42*time.Second {
		t.Errorf("blow-down to a tenth took %v, want about 40 s", tenth)
	}
	if delay < time.Second || delay > 10*time.Second {
		t.Errorf("delivery began %v after loading, want a few seconds", delay)
	}
	// The truth says the same of it; there the unload begins with the valve half
	// closed, half a second before.
	unloads, err := w.Truth().Unloads(c.spec.Name, w.start, w.Now())
	if err != nil || len(unloads) == 0 {
		t.Fatalf("unloads of the truth: %v, %v", unloads, err)
	}
	delays, err := w.Truth().DeliveryDelays(c.spec.Name, w.start.Add(time.Duration(unloadedAt)*stepDur), w.Now())
	if err != nil || len(delays) == 0 || delays[0].First != delay {
		t.Errorf("the truth has the delays %v (%v), want %v first", delays, err, delay)
	}
	// Flow rises from nothing to full within a few seconds of the first air, so that
	// what is missing is a little more than the time until then.
	if d := delays[0]; !d.Lasted || d.Missing < d.First || d.Missing > d.First+3*time.Second {
		t.Errorf("the missing air is worth %v of full flow (%t), the first came after %v", d.Missing, d.Lasted, d.First)
	}
	u := unloads[0]
	if d := u.BlownDown - tenth; d < -time.Second || d > time.Second {
		t.Errorf("the truth has %v, want %v", u.BlownDown, tenth)
	}
	if u.StartPa < begin || u.EndPa < 0.99*c.spec.ResidualPa || u.EndPa > 1.01*c.spec.ResidualPa {
		t.Errorf("the truth's sump fell from %.0f to %.0f Pa, want from over %.0f to %.0f", u.StartPa, u.EndPa, begin, c.spec.ResidualPa)
	}
	if w := u.SettledJ / u.Settled.Seconds(); !(w > 0.2*c.spec.RatedPowerW && w < 0.35*c.spec.RatedPowerW) {
		t.Errorf("settled at %.0f W of %.0f, want 15-35 %% (DOE sourcebook, from memory)", w, c.spec.RatedPowerW)
	}
}

// The true flow lies -12 to +5 % off the nameplate, by the seed.
func TestTrueFlowSpread(t *testing.T) {
	low, high := 2.0, 0.0
	for seed := range uint64(300) {
		s := joinery(t, func(s *Scenario) { s.Seed = seed })
		f := newCompressor(s, &s.Machines[0], 0).fullM3S / s.Machines[0].RatedFlowM3S
		low, high = math.Min(low, f), math.Max(high, f)
	}
	if low < 0.88 || low > 0.89 || high > 1.05 || high < 1.04 {
		t.Errorf("true flow from %.3f to %.3f of the nameplate, want 0.88 to 1.05 filled", low, high)
	}
}

func TestTrips(t *testing.T) {
	t.Run("by itself", func(t *testing.T) {
		w := world(t, 0, func(s *Scenario) {
			alone(80 * psiPa)(s)
			s.Leak = Leak{FlowM3S: 0.04, AtPa: 100 * psiPa}
			s.Machines[0].Trips = []Trip{{After: time.Hour, Code: 21, Text: "motor guard"}}
			s.Machines[0].TripReset = 10 * time.Minute
		})
		w.Advance(w.Now().Add(time.Hour + time.Minute))
		d, err := w.Device("controller")
		if err != nil {
			t.Fatal(err)
		}
		if code, status := register(t, d, 4, 7), register(t, d, 3, 20); code != 21 || status != bitTripped {
			t.Errorf("fault code %d, status %05b, want 21 and only tripped", code, status)
		}
		w.Advance(w.Now().Add(15 * time.Minute))
		if code, status := register(t, d, 4, 7), register(t, d, 3, 20); code != 0 || status&bitRunning == 0 {
			t.Errorf("after reset: fault code %d, status %05b, want 0 and running", code, status)
		}
		// The controller remembers it, with its hour meter: an hour after 21480.4.
		if code, before := register(t, d, 4, 40), register(t, d, 4, 43); code != 21 || before != 0 {
			t.Errorf("fault history %d, %d, want 21 and nothing before", code, before)
		}
		if hours := binary.BigEndian.Uint32(read(t, d, 4, 41, 2)); hours < 214804 || hours > 214815 {
			t.Errorf("hour meter at the fault: %d tenths", hours)
		}
	})
	t.Run("hot air end", func(t *testing.T) {
		w := world(t, 0, func(s *Scenario) {
			alone(20 * psiPa)(s)
			s.Leak = Leak{FlowM3S: 0.09, AtPa: 50 * psiPa}
			s.Machines[0].TripK = 273.15 + 70
		})
		w.Advance(w.Now().Add(20 * time.Minute))
		if c := w.machines[0]; c.state != Tripped || c.fault != hotCode {
			t.Errorf("%v, fault %d, want tripped by a hot air end", c.state, c.fault)
		}
	})
}
