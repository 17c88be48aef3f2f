package analysis

import (
	"math"
	"testing"

	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// phase is one stretch of a machine's round: what it does, for how long, and where
// the pressure goes meanwhile.
type phase struct {
	seconds         int64
	running, loaded int64
	toPa            float64
}

// rounds records a machine that does the phases over and over, standby being what
// its controller says while it stands.
func rounds(site *sitefile.Site, n int, standby int64, fromPa float64, phases []phase) (*memory, int64) {
	tp := newTape(site, 0)
	second, pa := int64(0), fromPa
	for range n {
		for _, p := range phases {
			for i := range p.seconds {
				at := pa + (p.toPa-pa)*float64(i)/float64(p.seconds)
				on := standby
				if p.running == 1 {
					on = 0
				}
				tp.add("controller", second*1000, p.running, p.loaded, on, 0, int64(math.Round(at/100)), 1)
				tp.add("meter", second*1000, 10+340*p.loaded+90*p.running, 1)
				second++
			}
			pa = p.toPa
		}
	}
	return fold(site, tp.scans), second / 3600
}

// TestReplayTimers finds the no-load stop and the starts guard in rounds worked by
// hand: start, load at 650 kPa, unload at 750 kPa, rest for 100 s, load again, then
// rest for 140 s and stop.
func TestReplayTimers(t *testing.T) {
	round := func(standS int64, standToPa, firstPa float64) []phase {
		return []phase{{8, 1, 0, firstPa}, {60, 1, 1, 750e3}, {100, 1, 0, 650e3}, {60, 1, 1, 750e3}, {140, 1, 0, 680e3}, {standS, 0, 0, standToPa}}
	}
	for _, c := range []struct {
		name   string
		phases []phase
		guard  float64
	}{
		// It stands until the pressure asks for it.
		{"no guard", round(60, 650e3, 646e3), 0},
		// Ten minutes after the last start it may start again: at 564 kPa.
		{"guard", round(232, 564e3, 560e3), 600},
	} {
		t.Run(c.name, func(t *testing.T) {
			site := plant(t)
			src, hours := rounds(site, 24, 1, c.phases[0].toPa, c.phases)
			m := mustReplay(t, src, site, hours).Machines[0]
			nearTo(t, "no-load stop", m.NoLoadStopS, 140, 2)
			nearTo(t, "guard", m.LeastBetweenStartsS, c.guard, 2)
			nearTo(t, "start", m.StartS.V, 8, 1.1)
			nearTo(t, "cut-in", m.CutInPa.V, 650e3, 2000)
			if m.On != nil {
				t.Errorf("on %v: it was never kept from running", m.On)
			}
		})
	}
}

// TestReplayStoppedByHand: a machine without a timer, which somebody stops each evening
// after some ten minutes unloaded, has none though two of five come after like times.
func TestReplayStoppedByHand(t *testing.T) {
	site := plant(t)
	var days []phase
	for _, unloaded := range []int64{432, 540, 642, 648, 780} {
		for range 6 {
			days = append(days, phase{60, 1, 1, 750e3}, phase{120, 1, 0, 650e3})
		}
		days = append(days, phase{60, 1, 1, 750e3}, phase{unloaded, 1, 0, 660e3}, phase{600, 0, 0, 655e3}, phase{8, 1, 0, 650e3})
	}
	src, hours := rounds(site, 1, 1, 650e3, days)
	if m := mustReplay(t, src, site, hours).Machines[0]; !math.IsInf(m.NoLoadStopS, 1) {
		t.Errorf("it stops after %g s: %s", m.NoLoadStopS, m.Basis["no_load_stop"])
	}
}

// TestReplaySchedule finds the times in which a machine may not run: as its controller
// says, and by its standing below the cut-in where nothing says so.
func TestReplaySchedule(t *testing.T) {
	work := []phase{}
	for range 10 {
		work = append(work, phase{60, 1, 1, 750e3}, phase{120, 1, 0, 650e3})
	}
	day := append(work, phase{1800, 0, 0, 300e3}, phase{8, 1, 0, 300e3}, phase{600, 1, 1, 750e3}, phase{120, 1, 0, 650e3})
	for _, c := range []struct {
		name     string
		standby  bool
		earliest int64 // of the first time off, s
		latest   int64
	}{
		{"controller says so", true, 1800, 1802},
		// Standing from 1800 s on it is below the cut-in at once. Were it off only once
		// the pressure is plainly below, a replay would start it for that minute.
		{"it stands in vain", false, 1740, 1802},
	} {
		t.Run(c.name, func(t *testing.T) {
			site := plant(t)
			if !c.standby {
				delete(site.Machines[0].Roles, scan.Standby)
			}
			src, hours := rounds(site, 4, 0, 650e3, day)
			m := mustReplay(t, src, site, hours).Machines[0]
			if len(m.On) < 3 || m.On[0].FromMS != 0 {
				t.Fatalf("on %v, %s", m.On, m.Basis["on"])
			}
			if at := m.On[0].ToMS / 1000; at < c.earliest || at > c.latest {
				t.Errorf("off at %d s, want %d to %d", at, c.earliest, c.latest)
			}
			if at := m.On[1].FromMS / 1000; at < 3599 || at > 3601 {
				t.Errorf("on again at %d s, want 3600", at)
			}
		})
	}
}

// TestPriorFit holds the fit to a line worked by hand, and to what was known where
// nothing was seen.
func TestPriorFit(t *testing.T) {
	free := math.Inf(1)
	f := priorFit{prior: []float64{0, 0, 7}, u: []float64{free, free, 2}, leastNoise: 1e-3}
	for _, x := range []float64{-2, -1, 0, 1, 2} { // y = 3 + 2x, and nothing of the third
		f.add(3+2*x, 1, 1, x, 0)
	}
	if !f.solve() {
		t.Fatal("no solution")
	}
	for i, want := range []float64{3, 2, 7} {
		nearTo(t, "value", f.theta[i], want, 1e-9)
	}
	// Var = 2σ²/n of the mean (doubled), 2σ²/Σx² of the slope; the third keeps its own.
	for i, want := range []float64{math.Sqrt(2./5) * 1e-3, math.Sqrt(2./10) * 1e-3, 2} {
		nearTo(t, "uncertainty", math.Sqrt(f.cov[i][i]), want, 1e-9)
	}
	v := correlated([]float64{1, 2}, [][]float64{{4, 2}, {2, 5}}, []string{"a", "b"})
	nearTo(t, "variance of the sum", math.Pow(v[0].Plus(v[1]).U(), 2), 4+5+2*2, 1e-9)
	if (&priorFit{prior: []float64{0}, u: []float64{free}, leastNoise: 1}).solve() {
		t.Error("nothing is known and nothing was seen, and there is a solution")
	}
}

// TestSteepLine holds the line through scattered points to its slope: with as much
// scatter in both coordinates as their spread has, either regression is off.
func TestSteepLine(t *testing.T) {
	var x, y []float64
	for i := range 400 {
		at := float64(i%20) / 20
		x = append(x, 100*at+5*math.Sin(float64(7*i)))
		y = append(y, 1-0.5*at+0.025*math.Cos(float64(11*i)))
	}
	nearTo(t, "slope", steepLine(x, y).slope, -0.005, 0.0002)
}
