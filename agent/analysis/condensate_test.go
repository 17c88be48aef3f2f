package analysis

import (
	"math"
	"testing"

	"loadscribe/agent/sitefile"
)

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

// TestCondensateGoesByTheFlowsBasis: the same air, as it is drawn in at 35 °C, 60 %
// and 90 kPa, or counted dry at 100 kPa and 20 °C, gives the same water. Of wet
// air 1 m³ holds (90 - 0.6·5.6290)/100 · 293.15/308.15 = 0.82408 m³ of the latter
// (worked by hand; saturation pressure of 35 °C from memory).
func TestCondensateGoesByTheFlowsBasis(t *testing.T) {
	const perM3 = 0.82408
	litres := func(m3 float64, dry bool) float64 {
		site := plant(t)
		site.BarometerPa = 90_000
		sp := machineSpec(site, sitefile.Groups(site), &site.Machines[0], Levels{})
		s := &sheet{site: site, figures: map[string]Figure{}, air: airResult{m3: estimate{v: m3}, dry: dry},
			g: &gathered{sp: sp, total: &delta{}}}
		s.g.total.stateMS[Loaded] = 24 * hourMS
		s.condensate(&wetAir{cells: []wetCell{{flowingMS: hourMS, inlet: estimate{v: 308.15}, humidity: estimate{v: 0.6},
			pressure: estimate{v: 790_000}}}})
		f := s.figures["condensate"]
		if f.Value == nil || *f.Value <= 0 {
			t.Fatalf("condensate: %s", asJSON(t, f))
		}
		return *f.Value
	}
	if wet, dry := litres(1000, false), litres(1000*perM3, true); math.Abs(dry/wet-1) > 1e-4 {
		t.Errorf("%.4f l as drawn in, %.4f l counted dry", wet, dry)
	}
}
