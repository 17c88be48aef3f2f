package analysis

import (
	"math"
	"strings"
	"testing"
	"time"

	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// The plant of these tests is worked by hand: one load/unload machine loads every
// three minutes for a minute, between 650 and 750 kPa, against a demand that is its
// mean flow; it takes 35 kW loaded, and unloaded 10 kW and 13 kW more that fall off
// with a time constant of 17 s. Each second of it is read.
const (
	handCycleS, handLoadedS        = 180, 60
	handFullW, handIdleW, handFall = 35_000.0, 10_000.0, 13_000.0
	handTauS                       = 17.0
	handLowPa, handHighPa          = 650_000.0, 750_000.0
)

// handPlant is what the plant reads at a second of a cycle.
func handPlant(second int64) (loaded int64, pa, watts float64) {
	if s := float64(second % handCycleS); s < handLoadedS {
		return 1, handLowPa + (handHighPa-handLowPa)*s/handLoadedS, handFullW
	} else {
		s -= handLoadedS
		return 0, handHighPa - (handHighPa-handLowPa)*s/(handCycleS-handLoadedS), handIdleW + handFall*math.Exp(-s/handTauS)
	}
}

// handTape records some hours of it but for the seconds that skip says.
func handTape(site *sitefile.Site, hours int64, skip func(second int64) bool) *memory {
	tp := newTape(site, 0)
	energy := 0.0
	for second := range hours*3600 + 1 {
		loaded, pa, watts := handPlant(second)
		energy += watts
		if skip != nil && skip(second) {
			continue
		}
		tp.add("controller", second*1000, 1, loaded, 0, 0, int64(math.Round(pa/100)), 1)
		tp.add("meter", second*1000, int64(math.Round(watts/100)), int64(energy/3.6e5))
	}
	return fold(site, tp.scans)
}

func mustReplay(t *testing.T, src Source, site *sitefile.Site, hours int64) ReplayRecord {
	t.Helper()
	rec, err := ReplayOf(src, site, "main", 0, hours*hourMS, hours*hourMS)
	if err != nil {
		t.Fatal(err)
	}
	return rec
}

func nearTo(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s: got %g, want %g ± %g", what, got, want, within)
	}
}

// TestReplayOfHandWorked holds the calibration to the plant it was made of. The form
// of an exponential fall and its mean are mathematics; all numbers are invented.
func TestReplayOfHandWorked(t *testing.T) {
	site := plant(t)
	const hours = 6
	rec := mustReplay(t, handTape(site, hours, nil), site, hours)
	if rec.Absent != "" || len(rec.Machines) != 1 {
		t.Fatalf("absent %q, %d machines", rec.Absent, len(rec.Machines))
	}
	m := rec.Machines[0]
	nearTo(t, "loaded power", m.LoadedPower.V, handFullW, 350)
	nearTo(t, "unloaded power", m.UnloadedPower.V, handIdleW, 250)
	nearTo(t, "power right after an unload", m.UnloadStartPower.V, handIdleW+handFall, 1200)
	nearTo(t, "time constant", m.BlowDownS.V, handTauS, 1.5)
	for what, v := range map[string]float64{"loaded power": (m.LoadedPower.V - handFullW) / m.LoadedPower.U(),
		"unloaded power": (m.UnloadedPower.V - handIdleW) / m.UnloadedPower.U(), "time constant": (m.BlowDownS.V - handTauS) / m.BlowDownS.U()} {
		if math.Abs(v) > 2 {
			t.Errorf("%s lies %.1f standard uncertainties off the truth", what, v)
		}
	}
	nearTo(t, "cut-in", m.CutInPa.V, handLowPa, 2000)
	nearTo(t, "cut-out", m.CutOutPa.V, handHighPa, 2000)
	if !math.IsInf(m.NoLoadStopS, 1) || m.On != nil || m.LeastBetweenStartsS != 0 {
		t.Errorf("timer %g, on %v, guard %g: it never stopped", m.NoLoadStopS, m.On, m.LeastBetweenStartsS)
	}
	done := rec.Measured.ByMachine[0]
	if done.Starts != 0 || done.Loads != hours*20-1 && done.Loads != hours*20 {
		t.Errorf("%d starts, %d loads", done.Starts, done.Loads)
	}
	// A cycle takes 60·35 + 120·10 + 13·17·(1 - e^(-120/17)) kJ.
	cycleJ := handLoadedS*handFullW + (handCycleS-handLoadedS)*handIdleW + handFall*handTauS*(1-math.Exp(-120/handTauS))
	nearTo(t, "energy of a cycle", done.Energy.V/float64(len(rec.Minutes))*3, cycleJ, 0.005*cycleJ)
	var byState, bySlot float64
	for _, j := range done.StateJ {
		byState += j
	}
	for _, j := range rec.Measured.SlotJ {
		if !math.IsNaN(j) {
			bySlot += j
		}
	}
	nearTo(t, "energy by state, all", byState, done.Energy.V, 1e-6*done.Energy.V)
	nearTo(t, "energy by slot, all", bySlot, rec.Measured.Energy.V, 1e-6*bySlot)
	// What was delivered is what was taken: the swings of whole cycles cancel.
	seconds := 60 - m.DelayS.V + m.RunOnS.V
	nearTo(t, "mean demand", rec.MeanDemand.V, m.FullFlow.V*seconds/handCycleS, 0.02*m.FullFlow.V/3)
	sum := 0.0
	for i := range rec.Minutes {
		sum += rec.Minutes[i].FlowM3S / float64(len(rec.Minutes))
	}
	nearTo(t, "mean of the minutes", sum, rec.MeanDemand.V, 1e-3*rec.MeanDemand.V)
}

// TestReplayOfGap leaves an hour out: its minutes are not replayed, and nothing that
// was measured counts in it.
func TestReplayOfGap(t *testing.T) {
	site := plant(t)
	const hours = 5
	whole := mustReplay(t, handTape(site, hours, nil), site, hours)
	cut := mustReplay(t, handTape(site, hours, func(s int64) bool { return s > 2*3600 && s < 3*3600 }), site, hours)
	if n := len(whole.Minutes) - len(cut.Minutes); n < 60 || n > 62 {
		t.Errorf("%d minutes are left out, want an hour's", n)
	}
	nearTo(t, "coverage", cut.Coverage, 0.8, 0.02)
	nearTo(t, "energy a minute", cut.Measured.Energy.V/float64(len(cut.Minutes)), whole.Measured.Energy.V/float64(len(whole.Minutes)),
		0.01*whole.Measured.Energy.V/float64(len(whole.Minutes)))
	for i, j := range cut.Measured.SlotJ {
		if gap := i >= 9 && i < 11; gap != math.IsNaN(j) && (gap || i < 8 || i > 12) {
			t.Errorf("slot %d: %g J", i, j)
		}
	}
	if n := whole.Measured.ByMachine[0].Loads - cut.Measured.ByMachine[0].Loads; n < 19 || n > 22 {
		t.Errorf("%d loads are left out, want an hour's 20", n)
	}
}

// TestReplayOfLacks says what to give where nothing can be replayed.
func TestReplayOfLacks(t *testing.T) {
	for _, c := range []struct {
		name string
		edit func(*sitefile.Site)
		want string
	}{
		{"no flow", func(s *sitefile.Site) { s.Machines[0].RatedFlowM3S = 0 }, "rated_flow"},
		{"no volume", func(s *sitefile.Site) { s.Systems[0].Parts = nil; s.Systems[0].Taps = nil }, "volume"},
		{"no pressure", func(s *sitefile.Site) {
			delete(s.Machines[0].Roles, scan.DischargePressure)
			s.Systems[0].Taps = nil
		}, "no pressure is read"},
		{"no power at all", func(s *sitefile.Site) {
			delete(s.Machines[0].Roles, scan.Power)
			delete(s.Machines[0].Roles, scan.Energy)
			s.Machines[0].RatedPowerW = 0
		}, "rated_power"},
		{"no states", func(s *sitefile.Site) {
			s.Machines[0].Roles = map[scan.Role]string{scan.DischargePressure: "controller.pressure"}
		}, "running"},
	} {
		t.Run(c.name, func(t *testing.T) {
			site := plant(t)
			c.edit(site)
			rec := mustReplay(t, handTape(site, 1, nil), site, 1)
			if !strings.Contains(rec.Absent, c.want) {
				t.Errorf("absent %q does not say %q", rec.Absent, c.want)
			}
		})
	}
	site := plant(t)
	if _, err := ReplayOf(&memory{}, site, "nobody", 0, hourMS, hourMS); err == nil {
		t.Error("a system that is not there was taken")
	}
	if rec := mustReplay(t, &memory{}, site, 1); rec.Absent == "" {
		t.Error("nothing was recorded, and nothing is absent")
	}
}

// TestReplayOfLongest: of a window of as many days as are allowed, the minutes lie where
// they were; one that whole quarter hours make longer is refused.
func TestReplayOfLongest(t *testing.T) {
	site := plant(t)
	src := handTape(site, 1, nil)
	const middle = longestDemandMS / 2
	rec, err := ReplayOf(src, site, "main", -middle, middle, middle)
	if err != nil || rec.Absent != "" || len(rec.Minutes) < 55 || rec.Minutes[0].StartMS < 0 || rec.Minutes[0].StartMS > 60_000 {
		t.Fatalf("%v, absent %q, %d minutes", err, rec.Absent, len(rec.Minutes))
	}
	if n := rec.Measured.ByMachine[0].Loads; n < 18 || n > 20 {
		t.Errorf("%d loads in an hour of one each three minutes", n)
	}
	if _, err := ReplayOf(src, site, "main", -middle+1, middle+1, middle+1); err == nil {
		t.Error("more quarter hours than are allowed were taken")
	}
}

// TestReplayOfWindowOnly: what the gauge shows right after the window is not its
// lowest pressure.
func TestReplayOfWindowOnly(t *testing.T) {
	site := plant(t)
	tp := newTape(site, 0)
	for second := range int64(2*3600 + 1) {
		loaded, pa, watts := handPlant(second)
		if second > 3660 && second < 3720 {
			pa = 100e3
		}
		tp.add("controller", second*1000, 1, loaded, 0, 0, int64(math.Round(pa/100)), 1)
		tp.add("meter", second*1000, int64(math.Round(watts/100)), 0)
	}
	src := fold(site, tp.scans)
	rec, err := ReplayOf(src, site, "main", 0, hourMS, 2*hourMS)
	if err != nil {
		t.Fatal(err)
	}
	nearTo(t, "lowest pressure of the first hour", rec.Measured.LowestPa.V, handLowPa, 2000)
	nearTo(t, "lowest pressure of both", mustReplay(t, src, site, 2).Measured.LowestPa.V, 100e3, 2000)
}

// TestReplayOfNight is a window in which the machine stood without any pressure: what
// it would take is that at its rated pressure, or 7 bar where none is given, and the slope of power over pressure is
// the isentropic one there, 1/(7 bar) or less (d ln W/dp by W ∝ (p/p0)^0.286 - 1).
func TestReplayOfNight(t *testing.T) {
	site := plant(t)
	tp := newTape(site, 0)
	for second := range int64(2*3600 + 1) {
		tp.add("controller", second*1000, 0, 0, 1, 0, 60, 1) // 6 kPa
		tp.add("meter", second*1000, 0, 0)
	}
	rec := mustReplay(t, fold(site, tp.scans), site, 2)
	if rec.Absent != "" {
		t.Fatal(rec.Absent)
	}
	m := rec.Machines[0]
	if rated := 700e3; m.LoadedPa != rated || !(m.PowerPerPa.V > 0.3/rated && m.PowerPerPa.V < 1/rated) {
		t.Errorf("power at %g Pa, more by %g of it for each Pa; rated at %g Pa", m.LoadedPa, m.PowerPerPa.V, rated)
	}
}

// TestReplayOfUnknown: a machine that stood all through the window, behind a flow meter,
// shows neither power nor flow, and without them nothing is played. (A flow of a cubic
// metre a second, or a litre of volume, were once taken for it.)
func TestReplayOfUnknown(t *testing.T) {
	for _, c := range []struct {
		want                string
		powerW, flow, parts float64
	}{{"rated_power", 0, 0.1, 1}, {"rated_flow", 37e3, 0, 1}, {"volume", 37e3, 0.1, 0}, {"", 37e3, 0.1, 1}} {
		site := plant(t)
		controller := site.Devices[0].Map
		controller.Channels = append(controller.Channels, mapChannel(t, "flow", scan.Flow, "u16", 0.01, "m3/min", time.Second))
		s := &site.Systems[0]
		s.Taps[0].Flow, s.Parts[0].VolumeM3 = "controller.flow", c.parts
		site.Machines[0].RatedPowerW, site.Machines[0].RatedFlowM3S = c.powerW, c.flow
		tp := newTape(site, 0)
		for second := range int64(3600 + 1) {
			tp.add("controller", second*1000, 0, 0, 1, 0, 6000, 1, 10)
			tp.add("meter", second*1000, 1, 0)
		}
		rec := mustReplay(t, fold(site, tp.scans), site, 1)
		if c.want == "" && rec.Absent != "" || !strings.Contains(rec.Absent, c.want) {
			t.Errorf("absent %q does not say %q", rec.Absent, c.want)
		}
	}
}

// TestReplayOfFill: in an hour in which the receiver, before the flow meter, is filled,
// the machine gives what the meter counts and what the receiver takes.
func TestReplayOfFill(t *testing.T) {
	site := plant(t)
	controller := site.Devices[0].Map
	controller.Channels = append(controller.Channels, mapChannel(t, "flow", scan.Flow, "u16", 0.01, "m3/min", time.Second))
	s := &site.Systems[0]
	s.Parts = append(s.Parts, sitefile.Part{Name: "mains", Kind: "piping"})
	s.Taps = append(s.Taps, sitefile.Tap{At: "mains", Flow: "controller.flow"})
	const fullM3S, demandM3S, fromS, toS = 0.1, 0.05 / 60, 600, 660
	pa := 500e3
	tp := newTape(site, 0)
	for second := range int64(3600 + 1) {
		on := int64(0)
		if second >= fromS && second < toS {
			on = 1
		}
		tp.add("controller", second*1000, 1, on, 0, 0, int64(math.Round(pa/100)), 1, 5)
		tp.add("meter", second*1000, 100+250*on, 0)
		if pa -= demandM3S * 100e3; second >= fromS+3 && second < toS {
			pa += fullM3S * 100e3
		}
	}
	rec := mustReplay(t, fold(site, tp.scans), site, 1)
	if rec.Absent != "" {
		t.Fatal(rec.Absent)
	}
	nearTo(t, "full flow", rec.Machines[0].FullFlow.V, fullM3S, 0.1*fullM3S)
}

// TestReplayOfNoPower takes the nameplate's power where none is read, and says so.
func TestReplayOfNoPower(t *testing.T) {
	site := plant(t)
	delete(site.Machines[0].Roles, scan.Power)
	delete(site.Machines[0].Roles, scan.Energy)
	rec := mustReplay(t, handTape(site, 2, nil), site, 2)
	m := rec.Machines[0]
	nearTo(t, "loaded power", m.LoadedPower.V, site.Machines[0].RatedPowerW, 1)
	if !strings.Contains(m.Basis["loaded_power"], "rated power") || rec.Measured.Energy.V != 0 || rec.Measured.SlotJ != nil ||
		!strings.Contains(rec.Measured.EnergyBasis, "not known") {
		t.Errorf("basis %q, energy %g, %d slots, %q", m.Basis["loaded_power"], rec.Measured.Energy.V, len(rec.Measured.SlotJ), rec.Measured.EnergyBasis)
	}
}

// TestReplayOfCounter has a counter of 0.1 kWh alone: loaded and mean unloaded power
// follow from what it rises by in quarter hours of unlike duty.
func TestReplayOfCounter(t *testing.T) {
	site := plant(t)
	delete(site.Machines[0].Roles, scan.Power)
	tp := newTape(site, 0)
	energy := 0.0
	const hours = 12
	for second := range int64(hours*3600 + 1) {
		// Every other hour it runs unloaded for its first half.
		loaded, pa, watts := handPlant(second)
		if second/3600%2 == 1 && second%3600 < 1800 {
			loaded, pa, watts = 0, 700e3, handIdleW
		}
		energy += watts
		tp.add("controller", second*1000, 1, loaded, 0, 0, int64(math.Round(pa/100)), 1)
		tp.add("meter", second*1000, 0, int64(energy/3.6e5))
	}
	m := mustReplay(t, fold(site, tp.scans), site, hours).Machines[0]
	nearTo(t, "loaded power", m.LoadedPower.V, handFullW, max(1000, 2*m.LoadedPower.U()))
	nearTo(t, "unloaded power", m.UnloadedPower.V, handIdleW, max(500, 2*m.UnloadedPower.U()))
	if u := m.LoadedPower.U(); u > 0.08*handFullW {
		t.Errorf("loaded power is known to %.0f W only", u)
	}
	if !strings.Contains(m.Basis["loaded_power"], "energy counter") {
		t.Errorf("basis %q", m.Basis["loaded_power"])
	}
}
