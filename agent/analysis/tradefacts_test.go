package analysis

import (
	"strings"
	"testing"
	"time"
)

// TestTradeFacts: facts of the trade (common practice, no source) stand beside
// the figures that they are about as hints, and only where the data give rise
// to them: no plant meter, no share; no load above the nameplate, no service
// factor. None of them is a limit.
func TestTradeFacts(t *testing.T) {
	for _, c := range []struct {
		name       string
		plantKW    float64 // 0: no plant meter
		ownKW      float64
		motorW     float64
		share, fit string // what must be said; empty: nothing of the kind
	}{
		{"in good order", 100, 20, 30e3, "this is 20 % of what the plant meter counted meanwhile; in a shop roughly 20 % may go into air (common practice, no source)", ""},
		{"more than the plant", 15, 20, 30e3, "133 % of what the plant meter counted meanwhile: one of the meters reads wrongly", ""},
		{"no plant meter", 0, 20, 30e3, "", ""},
		// 20 kW · 0.93 / 17 kW
		{"above the nameplate", 0, 20, 17e3, "", "its shaft gives 109 % of the nameplate: motors with a service factor of 1.15 are made for 115 % at up to 40 °C, and for less above (common practice, no source): a hint, no limit"},
	} {
		t.Run(c.name, func(t *testing.T) {
			site := minutely(t, "America/Chicago")
			site.Machines[0].Motor.PowerW = c.motorW
			if c.plantKW > 0 {
				site.Tariff.PlantMeter = "meter.plant"
			}
			from := dayIn(site, 2026, time.May, 4)
			to := from.Add(24 * time.Hour)
			m := fold(site, meterTape(t, site, from.Add(-time.Minute), to, func(time.Time) now { return now{own: c.ownKW, plant: c.plantKW} }).scans)
			rep := mustCompute(t, m, site, from.UnixMilli(), to.UnixMilli())
			energy, loaded := systemFigure(t, rep, "energy"), figureOf(t, rep, "power_loaded")
			check(t, energy, 24*c.ownKW, 1e-6)
			check(t, loaded, c.ownKW, 1e-9)
			for _, said := range []struct{ method, want, sign string }{
				{energy.Method, c.share, "plant meter"}, {loaded.Method, c.fit, "service factor"}} {
				if !strings.Contains(said.method, said.want) || said.want == "" && strings.Contains(said.method, said.sign) {
					t.Errorf("method %q, want in it %q", said.method, said.want)
				}
			}
			if energy.Limit != nil || loaded.Limit != nil {
				t.Errorf("limits %v, %v: a fact of the trade is none", energy.Limit, loaded.Limit)
			}
		})
	}
}

// An aftercooler's 10 °F is said beside the approach and is no limit of it; an
// approach that is not known has no hint.
func TestUsualApproach(t *testing.T) {
	v := 12.0
	s := &sheet{figures: map[string]Figure{"approach_temperature": {Name: "approach_temperature", Value: &v, Method: "measured"}}}
	s.usualApproach()
	if f := s.figures["approach_temperature"]; !strings.Contains(f.Method, "about 5.6 K (10 °F) of ambient (common practice, no source): a hint, no limit") || f.Limit != nil {
		t.Errorf("got the method %q and the limit %v", f.Method, f.Limit)
	}
	s.absent("no thermometer", "approach_temperature")
	s.usualApproach()
	if f := s.figures["approach_temperature"]; f.Method != "" {
		t.Errorf("an absent approach has the method %q", f.Method)
	}
}
