package engine

import "math"

// motion is the pressure between two events: it changes at a rate that decays.
type motion struct {
	fromPa float64
	paS    float64 // rate at the beginning
	perS   float64 // decay of the rate
}

// stillPa: a pressure that would move less than this till the next event is taken to
// stand, so that rounding cannot turn it round at a border of two pieces.
const stillPa = 1e-9

// reach is ∫exp(-perS·t)dt.
func (m *motion) reach(seconds float64) float64 {
	if m.perS*seconds < 1e-17 {
		return seconds
	}
	return -math.Expm1(-m.perS*seconds) / m.perS
}

// gainedPaS is ∫(p - fromPa)dt over a time whose reach is known.
func (m *motion) gainedPaS(seconds, reach float64) float64 {
	x := m.perS * seconds
	if x < 0.02 { // the series of (x - (1 - exp(-x)))/x², where the difference would lose its digits
		return m.paS * seconds * seconds * (1./2 - x*(1./6-x*(1./24-x*(1./120-x*(1./720-x/5040)))))
	}
	return m.paS * (seconds - reach) / m.perS
}

// timeTo is how long it takes to a pressure that lies ahead; +Inf: it never gets there.
func (m *motion) timeTo(pa float64) float64 {
	share := m.perS * (pa - m.fromPa) / m.paS
	if share >= 1 {
		return math.Inf(1)
	}
	if share < 1e-17 {
		return (pa - m.fromPa) / m.paS
	}
	return -math.Log1p(-share) / m.perS
}

// moves tells whether the pressure goes on noticeably within a time.
func (m *motion) moves(seconds float64) bool {
	rate := math.Abs(m.paS)
	return rate*seconds > stillPa && rate > stillPa*m.perS
}

// motion is how the pressure goes from here on, with supply and demand as they are.
func (pl *player) motion() motion {
	d := &pl.demand.pieces[pl.demand.at]
	netM3S, netPerPa := -(d.flowM3S + d.flowPerPa*(pl.pa-d.atPa)), -d.flowPerPa
	for i := range pl.units {
		if u := &pl.units[i]; u.mode == delivering {
			p := &u.law.pieces[u.piece]
			netM3S += p.flowM3S + p.flowPerPa*(pl.pa-p.atPa)
			netPerPa += p.flowPerPa
		}
	}
	return motion{pl.pa, netM3S * pl.paPerM3, -netPerPa * pl.paPerM3}
}

// cross moves what stands at the border of a piece into the one that the pressure
// goes to; false: nothing did.
func (pl *player) cross(rising bool) bool {
	moved := false
	step := func(pieces []piece, at *int) {
		switch p := &pieces[*at]; {
		case rising && pl.pa >= p.toPa:
			*at++
			moved = true
		case !rising && pl.pa <= p.fromPa:
			*at--
			moved = true
		}
	}
	step(pl.demand.pieces[:], &pl.demand.at)
	for i := range pl.units {
		if u := &pl.units[i]; u.mode == delivering {
			step(u.law.pieces, &u.piece)
		}
	}
	return moved
}

// advance goes to the next event, at most to a time.
func (pl *player) advance(endS float64) {
	nextS := min(endS, pl.slotEnd, pl.watch.edgeS)
	for i := range pl.rots {
		nextS = min(nextS, pl.rots[i].nextS)
	}
	for i := range pl.units {
		nextS = min(nextS, pl.units[i].nextS(pl.tS, pl.pa))
	}
	m := pl.motion()
	seconds := nextS - pl.tS
	// Flows are continuous over the borders, so one crossing each is enough; the
	// bound is for rounding.
	for tries := 0; tries < 4 && m.moves(seconds) && pl.cross(m.paS > 0); tries++ {
		m = pl.motion()
	}
	toPa, hit := pl.ahead(&m), false
	if !math.IsInf(toPa, 0) && m.moves(seconds) {
		if to := m.timeTo(toPa); to <= seconds {
			seconds, nextS, hit = to, pl.tS+to, true
		}
	}
	if hit {
		pl.sum(&m, seconds, (toPa-pl.pa)/m.paS)
		pl.pa = toPa
	} else {
		reach := m.reach(seconds)
		pl.sum(&m, seconds, reach)
		pl.pa += m.paS * reach
	}
	pl.tS = nextS
	if pl.tS >= pl.slotEnd {
		pl.toSlot(pl.slot + 1)
	}
}

// ahead is the next pressure in the way it goes that matters to anything; ±Inf: none.
// A border that only rounding leaves the pressure at is none.
func (pl *player) ahead(m *motion) float64 {
	d := &pl.demand.pieces[pl.demand.at]
	if m.paS > 0 {
		next := math.Inf(1)
		see := func(pa float64) {
			if pa > pl.pa {
				next = min(next, pa)
			}
		}
		see(d.toPa)
		for i := range pl.units {
			pl.units[i].above(see)
		}
		return next
	}
	next := math.Inf(-1)
	see := func(pa float64) {
		if pa < pl.pa {
			next = max(next, pa)
		}
	}
	see(d.fromPa)
	for i := range pl.units {
		pl.units[i].below(see)
	}
	return next
}

// sum adds what flows and is used until the next event.
func (pl *player) sum(m *motion, seconds, reach float64) {
	if seconds <= 0 {
		return
	}
	r := pl.res
	gained := m.gainedPaS(seconds, reach)
	r.Seconds += seconds
	pl.paS += m.fromPa*seconds + gained
	d := &pl.demand.pieces[pl.demand.at]
	served := (d.flowM3S+d.flowPerPa*(m.fromPa-d.atPa))*seconds + d.flowPerPa*gained
	r.ServedM3 += served
	if pl.demand.short() && pl.demand.fullM3S() > 0 {
		asked := pl.demand.fullM3S() * seconds
		r.AskedM3 += asked
		if pl.watch.on {
			r.ShortS += seconds
			r.ShortM3 += asked - served
		}
	} else {
		r.AskedM3 += served
	}
	energyJ := 0.0
	for i := range pl.units {
		u, done := &pl.units[i], &r.Machines[i]
		j := 0.0
		if u.mode == delivering {
			p := &u.law.pieces[u.piece]
			done.SuppliedM3 += (p.flowM3S+p.flowPerPa*(m.fromPa-p.atPa))*seconds + p.flowPerPa*gained
			j = (p.powerW+p.powerPerPa*(m.fromPa-p.atPa))*seconds + p.powerPerPa*gained
		} else {
			j = u.idleJ(pl.tS, seconds)
		}
		if pl.watch.on && u.guarded(pl.tS, m.fromPa) {
			done.GuardedS += seconds
		}
		state := u.state()
		done.EnergyJ[state] += j
		done.Seconds[state] += seconds
		energyJ += j
	}
	r.EnergyJ += energyJ
	if pl.plant.SlotS > 0 {
		for len(r.SlotJ) <= pl.slot {
			r.SlotJ = append(r.SlotJ, 0)
		}
		r.SlotJ[pl.slot] += energyJ
	}
}

// idleJ is what a machine that delivers nothing uses in a time from tS on.
func (u *unit) idleJ(tS, seconds float64) float64 {
	switch u.mode {
	case standing:
		return u.StoppedW * seconds
	case starting:
		return u.StartW * seconds
	case filling:
		return u.DelayW * seconds
	}
	j := u.UnloadedW * seconds
	if age := tS - u.unloadedS; age < 50*u.BlowDownS { // beyond, the rest is below rounding
		j += (u.UnloadStartW - u.UnloadedW) * u.BlowDownS *
			math.Exp(-age/u.BlowDownS) * -math.Expm1(-seconds/u.BlowDownS)
	}
	return j
}

// begin puts the machines into the state they are in at a stretch's beginning.
func (pl *player) begin(s *Stretch) {
	if pl.units == nil {
		pl.units = make([]unit, len(pl.plant.Machines))
		pl.rots = make([]turning, len(pl.plant.Rotations))
		for i := range pl.rots {
			pl.rots[i].Rotation = &pl.plant.Rotations[i]
		}
	}
	for i := range pl.units {
		m := &pl.plant.Machines[i]
		pl.units[i].Machine, pl.units[i].common, pl.units[i].othersM3S = m, common{}, 0
		pl.units[i].setBand(band{m.CutInPa, m.CutOutPa, m.TargetPa}, pl.pa)
	}
	for i := range pl.rots {
		pl.rots[i].begin(pl.tS)
		pl.bands(&pl.rots[i])
	}
	for i := range pl.units {
		var b *Begin
		if s.Begin != nil {
			b = &s.Begin[i]
		}
		pl.units[i].begin(b, pl.tS, pl.pa)
	}
}
