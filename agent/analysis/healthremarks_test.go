package analysis

import (
	"math"
	"strings"
	"testing"

	"loadscribe/agent/sitefile"
)

// TestHeight: the standard atmosphere has 89.875 kPa at 1000 m and 79.495 kPa at
// 2000 m (ICAO table, from memory).
func TestHeight(t *testing.T) {
	for _, tt := range []struct{ m, pa float64 }{{0, 101_325}, {1000, 89_875}, {2000, 79_495}} {
		if got := heightM(tt.pa); math.Abs(got-tt.m) > 1 {
			t.Errorf("%g Pa: %.1f m, want %g", tt.pa, got, tt.m)
		}
	}
	if got := heightM(sitefile.StandardPressurePa(1640)); math.Abs(got-1640) > 0.01 {
		t.Errorf("1640 m comes back as %g", got)
	}
}

// TestPlace: near the sea nothing is said, higher up what it does to air, and
// above 1000 m what it does to the motor.
func TestPlace(t *testing.T) {
	for _, tt := range []struct {
		heightM    float64
		air, motor bool
	}{{210, false, false}, {700, true, false}, {1640, true, true}} {
		site := plant(t)
		site.BarometerPa = sitefile.StandardPressurePa(tt.heightM)
		rep := mustCompute(t, &memory{}, site, monday, monday+hourMS)
		var text string
		for _, r := range rep.Machines[0].Remarks {
			text += r.Sentence
		}
		if air, motor := strings.Contains(text, "less air than at sea level"), strings.Contains(text, "cools the motor less"); air != tt.air || motor != tt.motor {
			t.Errorf("%g m: %q", tt.heightM, text)
		}
	}
}
