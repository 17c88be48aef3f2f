package quantity

import (
	"math"
	"testing"
)

// The specific-power factor is the published 0.35314667 (reference conditions
// and conversions, computed: 18 kW/100 cfm = 6.356640 kW/(m³/min)).
func TestDisplayOfFigureUnits(t *testing.T) {
	for _, c := range []struct {
		unit       string
		system     System
		value      float64
		want       float64
		wantSymbol string
	}{
		{"kW/(m³/min)", US, 6.356640, 18, "kW/100 cfm"},
		{"kW/(m³/min)", SI, 6.356640, 6.356640, "kW/(m³/min)"},
		{"m³/min", US, 1, 35.314667, "cfm"},
		{"kPa", US, 689.4757, 100, "psi"},
		{"kPa", SI, 700, 7, "bar"},
		{"°C", US, 100, 212, "°F"},
		{"K", US, 10, 18, "°F"}, // a difference
		{"K", SI, 10, 10, "K"},
		{"l/d", US, 3.785411784, 1, "gal/d"}, // 231 in³, exact
		{"s", US, 90, 90, "s"},
		{"1/h", US, 4, 4, "1/h"},
		{"USD", US, 12, 12, "USD"},
		{"m³", US, 1, 35.314667, "ft³"},
		{"kWh/m³", US, 1, 28.3168466, "kWh/1000 ft³"}, // 0.3048³ m³ in a ft³
		{"USD/m³", US, 0.01, 0.283168466, "USD/1000 ft³"},
		{"EUR/m³", SI, 0.01, 0.01, "EUR/m³"},
	} {
		symbol, factor, offset := c.system.Display(c.unit)
		got := c.value*factor + offset
		if symbol != c.wantSymbol || math.Abs(got-c.want) > 1e-5*math.Abs(c.want) {
			t.Errorf("%v %q in system %d: got %v %q, want %v %q", c.value, c.unit, c.system, got, symbol, c.want, c.wantSymbol)
		}
	}
}
