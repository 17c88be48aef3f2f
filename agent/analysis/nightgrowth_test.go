package analysis

import (
	"math"
	"strings"
	"testing"
	"time"
)

// TestGrowthOf: three nights of 10, 12, 14 and three of 18, 20, 22 at one pressure. By
// hand: the means are 12 and 20, each with the variance 4/3; of the ratio 5/3 the
// variances are 4/3·(5/3)² = 3.7037 and 4/3, so that Welch's degrees of freedom are
// 5.0370²/(3.7037²/2 + 1.3333²/2) = 3.2748, whose t at 95 % is 3.0366 (Student's
// density integrated by Simpson's rule, apart from this program), and the half width
// is 3.0366·√5.0370/12 = 0.5679.
func TestGrowthOf(t *testing.T) {
	split := time.Date(2026, 3, 20, 0, 0, 0, 0, time.UTC)
	var nights []Night
	add := func(day int, flow, pa float64) {
		nights = append(nights, Night{From: stamp(split.AddDate(0, 0, day).UnixMilli()), Flow: &flow, Pressure: &pa})
	}
	const outside = 100e3
	for i, flow := range []float64{10, 12, 14} {
		add(i-9, flow, 600e3)
	}
	add(-5, 0, 0)
	nights[3].Flow = nil // a night of which nothing was taken
	for i, flow := range []float64{18, 20, 22} {
		add(i, flow, 600e3)
	}
	g := GrowthOf(nights, split.UnixMilli(), outside)
	if g.Absent != "" || g.Before != 3 || g.Latest != 3 || math.Abs(g.Share-2.0/3) > 1e-12 || math.Abs(g.Half-0.5679) > 1e-4 || !g.Surely() {
		t.Errorf("growth %+v, want 0.6667 ± 0.5679", g)
	}
	// The same holes at twice the absolute pressure let out twice as much: no growth.
	for i := range nights[4:] {
		*nights[4+i].Flow, *nights[4+i].Pressure = []float64{20, 24, 28}[i], 1300e3
	}
	if g := GrowthOf(nights, split.UnixMilli(), outside); math.Abs(g.Share) > 1e-12 || g.Surely() {
		t.Errorf("at twice the pressure %+v, want no growth", g)
	}
	if g := GrowthOf(nights, split.AddDate(0, 0, 1).UnixMilli(), outside); !strings.Contains(g.Absent, "2 quiet nights against 4 before: it takes 3 each") || g.Surely() {
		t.Errorf("two nights: %+v", g)
	}
}
