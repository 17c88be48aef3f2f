package simulator

import (
	"errors"
	"math"
	"testing"
	"time"
)

// Three wattmeters by hand, for a package that is all motor, 400 V, 100 A, cos φ
// 0.8: S = √3·400·100 = 69 282 VA, P = 55 426 W. The trigonometry is that of
// any text on three-phase power (from memory); numbers computed here.
func TestWiringByHand(t *testing.T) {
	const s, p = 69_282.03, 55_425.63
	running := snapshot{
		volts: [3]float64{400, 400, 400}, lineA: 100, activeW: p, reactiveW: s * 0.6, apparentW: s,
		motorW: p, motorVar: s * 0.6, status: bitRunning | bitLoaded,
	}
	for _, tt := range []struct {
		wiring                 string
		amps, active, apparent float64
	}{
		{"", 100, p, s},
		{"none", 100, p, s},
		{"ct_reversed", 100, p / 3, s},
		{"ct_wrong_phase", 100, 0, s},
		{"ct_ratio=2", 200, 2 * p, 2 * s},
		{"ct_ratio=0.2", 20, 0.2 * p, 0.2 * s},
		{"motor_only", 100, p, s},
		// 1/√3 of the current, 30° ahead: P = S/√3·cos(φ-30°), cos(36.87°-30°) = 0.99282.
		{"one_leg", 57.735, s / math.Sqrt(3) * 0.99282, s / math.Sqrt(3)},
		{"drive_output", 100, 0.9 * p, 0.9 * s},
	} {
		mistake, ratio, err := parseWiring(tt.wiring)
		if err != nil {
			t.Fatal(err)
		}
		got := seenBy(mistake, ratio, &running)
		near := func(what string, got, want float64) {
			if math.Abs(got-want) > 2e-5*s*math.Max(1, ratio) {
				t.Errorf("%q: %s is %.2f, want %.2f", tt.wiring, what, got, want)
			}
		}
		near("P", got.activeW, tt.active)
		near("S", got.apparentW, tt.apparent)
		near("I", got.amps, tt.amps)
	}
	// Fan and controls are not behind the starter.
	running.motorW, running.motorVar = p-2000, s*0.6-1500
	if got := seenBy(wiringMotorOnly, 1, &running); math.Abs(got.activeW-(p-2000)) > 1 {
		t.Errorf("motor only: %.0f W, want %.0f", got.activeW, p-2000)
	}
	if got := seenBy(wiringDrive, 1, &snapshot{volts: running.volts}); got.volts[0] != 0 || got.hz != 0 {
		t.Errorf("a drive at standstill puts out %v V, %v Hz", got.volts, got.hz)
	}
}

func TestWiringIsChecked(t *testing.T) {
	for _, bad := range []string{"ct_revers", "ct_ratio", "ct_ratio=x", "ct_ratio=0", "one_leg=2", "=2"} {
		s, err := LoadScenario("joinery")
		if err != nil {
			t.Fatal(err)
		}
		s.Devices[1].Wiring = bad
		if err := s.Validate(); !errors.Is(err, ErrScenario) {
			t.Errorf("wiring %q: %v", bad, err)
		}
	}
	s, err := LoadScenario("joinery")
	if err != nil {
		t.Fatal(err)
	}
	s.Devices[0].Wiring, s.Devices[1].InvertedLoad = "ct_reversed", true
	if err := s.Validate(); err == nil {
		t.Error("a controller with transformers and a meter with a loaded bit pass")
	}
	s.Devices[0].Wiring, s.Devices[1].InvertedLoad = "", false
	s.Devices[1].Wiring, s.Machines[0].Motor.Starting = "one_leg", "direct"
	if err := s.Validate(); err == nil {
		t.Error("six leads of a motor that has three pass")
	}
}

// The counter of a meter wired wrongly counts what the meter sees; the plant
// and its truth do not change.
func TestWrongMeterCountsWhatItSees(t *testing.T) {
	energyOf := func(wiring string) (counted, truly float64) {
		s, err := LoadScenario("joinery")
		if err != nil {
			t.Fatal(err)
		}
		s.Devices[1].Wiring = wiring
		begin := time.Date(2026, time.March, 2, 6, 50, 0, 0, s.Location)
		w, err := New(s, begin)
		if err != nil {
			t.Fatal(err)
		}
		w.Advance(begin.Add(time.Hour))
		r := w.devices[1]
		totals, err := w.truth.Totals("comp1", begin, begin.Add(time.Hour))
		if err != nil {
			t.Fatal(err)
		}
		return float64(r.energyWh() - s.Machines[0].InitialWh), totals.EnergyJ / 3600
	}
	right, truly := energyOf("none")
	if math.Abs(right-truly) > 2 {
		t.Errorf("the right meter counts %.0f Wh of %.0f", right, truly)
	}
	third, same := energyOf("ct_reversed")
	if same != truly {
		t.Errorf("a meter's wiring changes the plant: %.0f Wh, not %.0f", same, truly)
	}
	// Read five times a second, through starts and loads.
	if math.Abs(third-truly/3) > 0.01*truly {
		t.Errorf("with one transformer reversed %.0f Wh are counted, a third of %.0f is %.0f", third, truly, truly/3)
	}
}
