package replay

import (
	"strings"
	"testing"

	"loadscribe/agent/gum"
	"loadscribe/agent/replay/engine"
)

// TestLowestIsToldByThePlays: where an interval of the lowest pressure goes below the
// air outside or above the highest pressure of the run, the note tells where the plays
// lie, which is the most that is known; else it does not.
func TestLowestIsToldByThePlays(t *testing.T) {
	site := joinery(t)
	e := &evaluation{st: studyOf(t, site, steady(site, 0.5))}
	with := func(psiOf float64) (m measures) {
		m[mLowestPa], m[mEnergyJ] = psiOf*psi, 1
		return m
	}
	seen := func(nominal, up, down, noisy float64) Amount {
		return e.lowest(&plays{nominal: with(nominal), up: map[string]measures{"a": with(up)}, down: map[string]measures{"a": with(down)}, noisy: []measures{with(noisy)},
			result: &engine.Result{Trace: []engine.TracePoint{{Pa: 90 * psi}, {Pa: 112 * psi}, {Pa: 95 * psi}}}})
	}
	for _, c := range []struct {
		nominal, up, down, noisy float64
		note, not                string
	}{
		{71, 100, 20, 60, "it lies between 20.0 psi and 100.0 psi, the lowest and the highest of 3 plays", "it may fall"},
		{1.5, 2.6, 0, 1.5, "it lies between 0.0 psi and 2.6 psi", "it may fall"},
		{90, 90.5, 60, 90.2, "it may fall to 60.0 psi: so it does in 1 of 3 plays", "it lies between"},
		{90, 90.5, 89.5, 90.2, "", "plays"},
	} {
		a := seen(c.nominal, c.up, c.down, c.noisy)
		if !strings.Contains(a.Note, c.note) || strings.Contains(a.Note, c.not) || *a.Value != c.nominal*psi {
			t.Errorf("%v ± %g psi: %q", c, *a.Interval/psi, a.Note)
		}
	}
	// A replay that lies 4 psi above what was measured is put right by half, and may lie
	// lower by all.
	e.fitted.LowestOffPa = 4 * psi
	if a := seen(71, 100, 20, 60); !strings.Contains(a.Note, "between 16.0 psi and 100.0 psi") || *a.Value != 69*psi {
		t.Errorf("%g psi: %q", *a.Value/psi, a.Note)
	}
}

// TestEmptyStoresAreMeasuredToo: a lowest pressure of nothing is a measured one, and
// what the replay misses of it is told.
func TestEmptyStoresAreMeasuredToo(t *testing.T) {
	site := joinery(t)
	rec := steady(site, 0.5)
	rec.Measured.LowestPa = gum.Exact(0)
	a := try(t, studyOf(t, site, rec))
	near(t, "lowest pressure off", a.Fit.LowestOffPa, 95*psi, 2*psi)
}
