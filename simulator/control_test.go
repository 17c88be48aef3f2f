package simulator

import (
	"math"
	"strings"
	"testing"
	"time"
)

// steady is a plant that is charged, always on, and uses a steady flow.
func steady(control string, flowM3S float64, edit func(*Scenario)) func(*Scenario) {
	return func(s *Scenario) {
		alone(100 * psiPa)(s)
		s.Machines[0].Control, s.Machines[0].FlowFactor = control, 1
		s.Users = []User{{Name: "steady", Count: 1, FlowM3S: flowM3S, RegulatedPa: 40 * psiPa, On: 1e6 * time.Second, Always: true}}
		if edit != nil {
			edit(s)
		}
	}
}

// A start/stop machine never idles: it stops at cut-out and starts at cut-in.
func TestStartStopNeverIdles(t *testing.T) {
	w := world(t, 0, steady("start/stop", 40*cfm, func(s *Scenario) { s.Machines[0].NoLoadStop = 0 }))
	w.Advance(w.Now().Add(2 * time.Hour))
	sum, err := w.Truth().Totals("comp1", w.start, w.Now())
	if err != nil {
		t.Fatal(err)
	}
	if sum.Starts < 5 || sum.Starts != sum.LoadCycles || sum.States[Unloaded] > time.Duration(sum.Starts)*2*time.Second {
		t.Errorf("%d starts, %d load cycles, unloaded for %v: want as many starts as cycles and no idling", sum.Starts, sum.LoadCycles, sum.States[Unloaded])
	}
}

// A modulating machine settles between full and cut-out and never unloads while
// somebody uses air.
func TestModulatingSettles(t *testing.T) {
	w := world(t, 0, steady("modulating", 90*cfm, func(s *Scenario) { s.Machines[0].ModulationPa = 10 * psiPa }))
	w.Advance(w.Now().Add(20 * time.Minute))
	c := w.machines[0]
	low, high := math.Inf(1), 0.0
	run(w, 20*time.Minute, func() {
		low, high = math.Min(low, c.dischargePa-c.barometerPa), math.Max(high, c.dischargePa-c.barometerPa)
	})
	if low < 110*psiPa || high > 120*psiPa || high-low > 1.5*psiPa || c.state != PartLoad {
		t.Errorf("%v at %.1f to %.1f psi, want steady part load between 110 and 120", c.state, low/psiPa, high/psiPa)
	}
	if want := 90 * cfm / c.fullM3S; math.Abs(c.share()-want) > 0.06 {
		t.Errorf("set to %.2f of its flow, want about %.2f", c.share(), want)
	}
}

// A variable-speed machine holds its target within a psi and a half under steady
// use, at any share that it can reach, and comes back to it within two minutes
// after a step of half its flow.
func TestVariableSpeedHoldsItsTarget(t *testing.T) {
	for _, share := range []float64{0.35, 0.5, 0.7, 0.9} {
		w := world(t, 0, steady("variable speed", share*185*cfm, func(s *Scenario) {
			m := &s.Machines[0]
			m.Motor.Starting, m.LeastShare, m.TargetPa = "drive", 0.25, 105*psiPa
		}))
		w.Advance(w.Now().Add(10 * time.Minute))
		c := w.machines[0]
		worst := 0.0
		see := func() { worst = math.Max(worst, math.Abs(c.dischargePa-c.barometerPa-105*psiPa)) }
		run(w, 10*time.Minute, see)
		if worst > 1.5*psiPa || c.state != PartLoad {
			t.Errorf("share %g: %v, off its target by up to %.2f psi", share, c.state, worst/psiPa)
		}
		step := 0.5
		if share > 0.5 {
			step = -0.4
		}
		w.demand.settings[0].flowM3S += step * 185 * cfm
		flow := w.demand.settings[0].flowM3S
		for range 120 {
			w.Advance(w.Now().Add(time.Second))
			w.demand.settings[0].flowM3S = flow // the second has put it back
		}
		if off := math.Abs(c.dischargePa - c.barometerPa - 105*psiPa); off > 3*psiPa {
			t.Errorf("share %g: two minutes after a step of %g it is off by %.2f psi", share, step, off/psiPa)
		}
	}
}

// A start that fails is a start and a trip by the motor guard; when the guard
// has been reset and the fault is gone, the machine starts.
func TestFailedStart(t *testing.T) {
	w := world(t, 0, func(s *Scenario) {
		alone(80 * psiPa)(s)
		s.Machines[0].TripReset = 5 * time.Minute
		s.Machines[0].Faults = []Fault{{Kind: faultStart, From: Moment(86400), Until: Moment(86400 + 600)}} // Mon 00:00-00:10
	})
	w.Advance(w.Now().Add(20 * time.Minute))
	sum, err := w.Truth().Totals("comp1", w.start, w.Now())
	if err != nil {
		t.Fatal(err)
	}
	list, err := w.Truth().Transitions("comp1", w.start, w.Now())
	if err != nil {
		t.Fatal(err)
	}
	codes := ""
	for _, tr := range list {
		if tr.State == Tripped {
			codes += string(rune('0' + tr.Fault))
		}
	}
	if sum.Failed != 2 || sum.Starts != 3 || codes != "33" {
		t.Errorf("%d starts, %d failed, trips with codes %q; want 3, 2 and two of code 3", sum.Starts, sum.Failed, codes)
	}
}

// Without automatic restart a machine that ran when the supply failed waits for
// somebody; one that stood starts by itself when it is wanted.
func TestPowerFailureWithoutRestart(t *testing.T) {
	w := world(t, 0, func(s *Scenario) {
		alone(80 * psiPa)(s)
		s.Machines[0].TripReset = 10 * time.Minute
		s.PowerFailures = []PowerFailure{{At: Moment(86400 + 60), For: 30 * time.Second}} // Mon 00:01
	})
	w.Advance(w.Now().Add(20 * time.Minute))
	list, err := w.Truth().Transitions("comp1", w.start.Add(time.Minute), w.Now())
	if err != nil {
		t.Fatal(err)
	}
	var story []string
	for _, tr := range list {
		story = append(story, tr.State.String())
	}
	if got := strings.Join(story, " "); len(list) < 3 || !strings.HasPrefix(got, "off tripped ") {
		t.Fatalf("after the failure: %s, want off, tripped, and then back", got)
	}
	if held := list[2].Time.Sub(list[1].Time); list[1].Fault != powerCode || held < 10*time.Minute {
		t.Errorf("tripped with code %d for %v, want code %d until somebody resets it", list[1].Fault, held, powerCode)
	}
}

func TestParseMoment(t *testing.T) {
	for text, want := range map[string]Moment{"Sun 00:00": 0, "Mon 07:15": 86400 + 7*3600 + 900, "Sat 23:59:59": weekS - 1} {
		if got, err := ParseMoment(text); err != nil || got != want {
			t.Errorf("ParseMoment(%q) = %d, %v, want %d", text, got, err, want)
		}
	}
	for _, bad := range []string{"", "Mon", "Mon 7:15", "Mo 07:15", "Mon 24:00", "Mon 07:15:60", "Mon 07:15:1", "Mon 07:15-08:00"} {
		if m, err := ParseMoment(bad); err == nil {
			t.Errorf("ParseMoment(%q) = %d, want an error", bad, m)
		}
	}
	if m := Moment(weekS - 10); !m.within(Moment(weekS-20), 5) || Moment(6).within(Moment(weekS-20), 5) || !m.within(7, 7) {
		t.Error("within over the week's end, or always, is wrong")
	}
}

func TestWindowText(t *testing.T) {
	for _, text := range []string{"Mon-Fri 07:00-16:00", "Sat 08:00-24:00", "daily 22:00-06:00", "Sun-Thu 22:00-06:00", "Fri-Mon 10:30-11:00"} {
		w, err := ParseWindow(text)
		if err != nil || w.String() != text {
			t.Errorf("%q is written %q (%v)", text, w, err)
		}
	}
}
