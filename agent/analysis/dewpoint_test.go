package analysis

import "testing"

// TestNoDewPoint: a sensor that has failed cold and dry gives readings for which
// the formula has none; no figure may come of them.
func TestNoDewPoint(t *testing.T) {
	c := wetCell{inlet: estimate{213.2, 1}, humidity: estimate{v: 0.0011}, pressure: estimate{v: 2e5}}
	if c.sound(101_325) {
		t.Errorf("dew point %g ± %g K", c.dewK, c.dewU)
	}
	if c = (wetCell{inlet: estimate{293.15, 1}, humidity: estimate{v: 0.5}, pressure: estimate{v: 8e5}}); !c.sound(101_325) || c.dewK < 300 {
		t.Errorf("20 °C and 50 %%: dew point %g K", c.dewK)
	}
}
