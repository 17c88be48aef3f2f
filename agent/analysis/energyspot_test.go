package analysis

import (
	"errors"
	"math"
	"testing"
)

// The GUM's formula by hand, from memory of JCGM 100:2008, 5.1 and 5.2; numbers
// computed here. Unloaded 24 A, 12 kW, loaded 48 A, 36 kW: b = 1 kW/A, a =
// -12 kW. The powers are within 2 %: u = 120 and 360 W, correlated. At 36 A, in
// the middle: powers (120+360)/2 = 240 W; currents 1000·√(0.05²+0.05²) = 70.71
// W; bend 0.09·24000/√3 = 1247.1 W; in all √(240²+70.71²+1247.1²) = 1271.9 W.
func TestPowerFromCurrent(t *testing.T) {
	unloaded := Point{CurrentA: 24, PowerW: 12_000, UCurrentA: 0.1, UPowerW: 120}
	loaded := Point{CurrentA: 48, PowerW: 36_000, UCurrentA: 0.1, UPowerW: 360}
	a, b, u, err := PowerFromCurrent(unloaded, loaded)
	if err != nil || a != -12_000 || b != 1000 {
		t.Fatalf("a %v, b %v, %v; want -12000, 1000", a, b, err)
	}
	for _, tt := range []struct{ at, want float64 }{
		{24, math.Hypot(120, 100)}, // at a point: its own power and current
		{48, math.Hypot(360, 100)},
		{36, 1271.9},
	} {
		if got := u(tt.at); math.Abs(got-tt.want) > 0.1 {
			t.Errorf("u(%v A): got %.2f W, want %.2f", tt.at, got, tt.want)
		}
	}
	// A wrong scale of the logged current cancels out.
	for _, p := range []*Point{&unloaded, &loaded} {
		p.CurrentA *= 1.1
	}
	a2, b2, _, err := PowerFromCurrent(unloaded, loaded)
	if err != nil || math.Abs(a2+b2*36*1.1-(a+b*36)) > 1e-6 {
		t.Errorf("10 %% off in all currents gives %v W, not %v", a2+b2*36*1.1, a+b*36)
	}
	for _, bad := range [][2]Point{
		{loaded, unloaded}, {unloaded, unloaded}, {unloaded, {CurrentA: 50, PowerW: 11_000}}, {unloaded, {CurrentA: math.NaN(), PowerW: 1}},
	} {
		if _, _, _, err := PowerFromCurrent(bad[0], bad[1]); !errors.Is(err, ErrPoints) {
			t.Errorf("%+v: %v", bad, err)
		}
	}
}

// The bend of a motor with constant reactive power Q, S = √(P²+Q²) in
// proportion to the current: never above bendShare of the rise, and near it for
// the motors that bend most. Common practice, no source; computed here.
func TestBendOfAMotor(t *testing.T) {
	worst := 0.0
	for _, reactive := range []float64{0.4, 0.5, 0.6} {
		for _, low := range []float64{0.25, 0.4, 0.6} {
			const high = 1.0
			currentLow, currentHigh := math.Hypot(low, reactive), math.Hypot(high, reactive)
			for w := 0.05; w < 1; w += 0.05 {
				i := currentLow + w*(currentHigh-currentLow)
				bend := math.Sqrt(i*i-reactive*reactive) - (low + w*(high-low))
				worst = math.Max(worst, bend/(high-low))
			}
		}
	}
	if worst > bendShare || worst < bendShare/2 {
		t.Errorf("a motor bends by up to %.3f of the rise; bendShare is %v", worst, bendShare)
	}
}
