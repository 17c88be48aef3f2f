package simulator

import "time"

// demand is everybody who uses air, and the leaks.
type demand struct {
	users []user
	leak  float64 // free air per absolute pressure, m³/s/Pa, while choked

	leakAtFirst float64

	// Sums over the users that are on; changed once a second.
	orifice  float64 // unregulated, m³/s/Pa
	settings []regulated
}

// user is one of a User's Count.
type user struct {
	spec     *User
	setting  int // index into settings, -1 unregulated
	rng      random
	on       bool
	leftS    int     // until it changes
	flow     float64 // of this time on; orifice where unregulated
	orifice1 float64 // m³/s/Pa of a nominal one
}

// regulated sums the users with one regulator setting.
type regulated struct {
	absolutePa float64
	flowM3S    float64
}

func newDemand(s *Scenario) demand {
	d := demand{leakAtFirst: s.Leak.FlowM3S / (s.Leak.AtPa + s.BarometerPa)}
	d.leak = d.leakAtFirst
	for i := range s.Users {
		spec := &s.Users[i]
		setting := -1
		if spec.RegulatedPa > 0 {
			setting = len(d.settings)
			d.settings = append(d.settings, regulated{absolutePa: spec.RegulatedPa + s.BarometerPa})
		}
		for k := range spec.Count {
			u := user{spec: spec, setting: setting, rng: newRandom(s.Seed, uint64(1000*(i+1)+k))}
			u.orifice1 = spec.FlowM3S / (spec.AtPa + s.BarometerPa)
			u.leftS = u.draw(spec.Rest)
			d.users = append(d.users, u)
		}
	}
	return d
}

// draw is a random time of mean d, at least a third of it and at least 1 s.
func (u *user) draw(d time.Duration) int {
	return 1 + int(d.Seconds()*(0.33+0.67*u.rng.exponential()))
}

// second moves everybody on by a second. work is true in a shift and no break.
func (d *demand) second(day time.Weekday, second int, work bool) {
	d.orifice = 0
	for i := range d.settings {
		d.settings[i].flowM3S = 0
	}
	for i := range d.users {
		u := &d.users[i]
		here := work || u.spec.Always
		if len(u.spec.When) > 0 {
			here = anyContains(u.spec.When, day, second)
		}
		switch {
		case !here && u.on:
			u.on, u.leftS = false, u.draw(u.spec.Rest)/2
		case here && u.leftS > 0:
			u.leftS--
		case here && u.on:
			u.on, u.leftS = false, u.draw(u.spec.Rest)
		case here:
			u.on, u.leftS = true, u.draw(u.spec.On)
			amount := 0.8 + 0.4*u.rng.float()
			u.flow = u.spec.FlowM3S * amount
			if u.setting < 0 {
				u.flow = u.orifice1 * amount
			}
		}
		if u.on && u.setting >= 0 {
			d.settings[u.setting].flowM3S += u.flow
		} else if u.on {
			d.orifice += u.flow
		}
	}
}

// flows gives the users' and the leaks' flow, m³/s, at absolute pressure p.
func (d *demand) flows(p, barometerPa float64) (used, leaked float64) {
	share := chokedShare(p, barometerPa)
	for i := range d.settings {
		r := &d.settings[i]
		f := r.flowM3S
		if p < r.absolutePa {
			f *= share * p / r.absolutePa // wide open regulator: an orifice
		}
		used += f
	}
	through := p * share
	return used + d.orifice*through, d.leak * through
}
