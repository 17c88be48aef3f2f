package replay

import (
	"testing"

	"loadscribe/agent/gum"
	"loadscribe/agent/sitefile"
)

// TestIdlePowerOfAnotherControl: a machine that modulated took 64 % with its inlet shut,
// for its sump stays at pressure (70 % at no flow, Sourcebook's sheet on controls, from
// memory), and one of variable displacement took 21 % with its rotors short. Neither is
// what a load/unload machine idles at: 15 to 35 % once it is blown down (DOE Sourcebook,
// from memory), and little below the shut inlet's before. One that loads and unloads
// already keeps what was seen.
func TestIdlePowerOfAnotherControl(t *testing.T) {
	for _, c := range []struct {
		was    sitefile.Control
		seen   float64 // idle, share of full load
		middle float64
		limit  float64
	}{
		{sitefile.Modulating, 0.64, 0.25, 0.10},
		{sitefile.VariableDisplacement, 0.21, 0.25, 0.10},
		{sitefile.ModulateThenUnload, 0.28, 0.28, 0.001},
	} {
		site := joinery(t)
		site.Machines[0].Control = c.was
		rec := steady(site, 0.5)
		m := &rec.Machines[0]
		m.UnloadedPower = m.LoadedPower.Scaled(c.seen)
		m.UnloadStartPower, m.BlowDownS = m.UnloadedPower, gum.Exact(1e-3)
		st := studyOf(t, site, rec)
		p, err := st.planOf(Alternative{Set: []Setting{{"comp1.control", "load/unload"}}})
		if err != nil {
			t.Fatal(err)
		}
		u := &p.units[0]
		near(t, string(c.was)+": idle share", u.unloaded.V/u.power.V, c.middle, 1e-3)
		near(t, string(c.was)+": u of the idle share", u.unloaded.Part(assumedInput("unloaded power", "comp1"))/u.power.V, gum.Rectangular(c.limit), gum.Rectangular(0.001))
		if c.was == sitefile.ModulateThenUnload {
			continue
		}
		near(t, string(c.was)+": right after an unload", u.unloadStart.V/u.power.V, 0.65, 0.10)
		if blown := u.blowDown.V; c.was == sitefile.Modulating && (blown < 5 || blown > 30) {
			t.Errorf("%s: blows down in %g s, a time that was never seen", c.was, blown)
		}
	}
}
