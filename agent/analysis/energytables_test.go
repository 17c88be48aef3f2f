package analysis

import (
	"math"
	"testing"
)

// TestStatesAddUpOverAGap: the meter's counter goes on while nobody reads it for
// ten minutes; the rows of energy_by_state add up to the figure, the gap's apart.
func TestStatesAddUpOverAGap(t *testing.T) {
	site := plant(t)
	tp := newTape(site, monday)
	joules := 0.0
	for sec := int64(0); sec < 3600; sec++ {
		loaded, power := int64(1), int64(360)
		if sec/60%2 == 1 {
			loaded, power = 0, 120
		}
		if sec < 1200 || sec >= 1800 {
			tp.add("controller", sec*1000, 1, loaded, 0, 0, 7000, 1)
			tp.add("meter", sec*1000, power, int64(joules/360_000))
		}
		joules += float64(power) * 100
	}
	rep := mustCompute(t, fold(site, tp.scans), site, monday, monday+hourMS)
	want := *figureOf(t, rep, "energy").Value
	near(t, "energy, ten minutes of it over a gap", want, joules/3.6e6, 0.2)
	states := table(t, rep.Machines[0].Tables, "energy_by_state")
	sum, share := 0.0, 0.0
	for _, r := range states.Rows {
		if r.Name != "all" {
			sum += *r.Values[1]
			share += *r.Values[4]
		}
	}
	near(t, "the rows together", sum, want, 1e-9)
	near(t, "their shares", share, 1, 1e-9)
	near(t, "all", cell(t, states, "all", "energy"), want, 0)
	near(t, "all, cost", cell(t, states, "all", "cost"), *figureOf(t, rep, "energy_cost").Value, 0)
	if got := cell(t, states, "counted over gaps", "energy"); math.Abs(got-24.0/6) > 0.2 {
		t.Errorf("%.2f kWh counted over the gap, want ten minutes at a mean of 24 kW", got)
	}
}
