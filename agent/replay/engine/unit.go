package engine

import "math"

// mode is what a machine does, finer than its State.
type mode uint8

const (
	standing mode = iota
	starting
	resting // running unloaded
	filling // loaded, its sump not yet filled
	delivering
)

// unit is a machine at a moment of the play.
type unit struct {
	*Machine
	set       band    // where its controls act, as they read the pressure
	band      band    // the same by the stores' pressure while it delivers nothing
	law       law     // by the stores' pressure while it delivers
	common    common  // that the law has in it
	othersM3S float64 // m³/s that all others deliver, which the band has in it

	mode       mode
	untilS     float64 // end of starting and filling
	closesS    float64 // while delivering, when the inlet has closed after an unload; +Inf: it is open
	unloadedS  float64 // when the unloading began: -Inf where the sump has long settled
	stopS      float64 // when it stops for having rested long enough
	lastStartS float64 // -Inf: not known
	piece      int     // of the law, while delivering

	times    times // of On
	startsAt []float64
	loadsAt  []float64
}

// setBand moves a machine's band.
func (u *unit) setBand(b band, pa float64) {
	u.set = b
	u.readBand()
	u.law = lawOf(u.Machine, b, u.common)
	u.piece = pieceAt(u.law.pieces, pa)
}

// readBand makes the band anew of what others deliver.
func (u *unit) readBand() {
	abovePa := u.common.perM3S2 * u.othersM3S * u.othersM3S
	u.band = band{u.set.inPa - abovePa, u.set.outPa - abovePa, u.set.targetPa - abovePa}
}

// readLaw makes the law anew of what is common; that of a steady machine only moves.
func (u *unit) readLaw(pa float64) {
	if u.steady() {
		abovePa := u.aboveStores(u.common, 1)
		u.law.outPa, u.law.pieces[0].atPa = u.set.outPa-abovePa, u.RatedPa-abovePa
		return
	}
	u.law = lawOf(u.Machine, u.set, u.common)
	u.piece = pieceAt(u.law.pieces, pa)
}

// begin is the state at a stretch's beginning.
func (u *unit) begin(b *Begin, tS, pa float64) {
	u.lastStartS, u.unloadedS = math.Inf(-1), math.Inf(-1)
	u.times = timesOf(u.On, tS)
	if b == nil {
		b = u.guess(pa)
	}
	if !math.IsInf(b.SinceS, 1) {
		u.lastStartS = tS - b.SinceS
	}
	switch b.State {
	case Stopped:
		u.mode = standing
	case Starting:
		u.mode, u.untilS = starting, tS-b.ForS+u.StartS
	case Unloaded:
		u.rest(tS-b.ForS, pa)
	default:
		u.fill(tS-b.ForS, u.DelayS)
	}
}

// guess is the state where nothing is known: as the pressure and the band have it,
// standing where it may.
func (u *unit) guess(pa float64) *Begin {
	long := math.Inf(1)
	switch loads := pa <= u.band.inPa || u.Control == VariableSpeed && pa <= u.band.targetPa; {
	case u.times.on && loads && math.IsInf(u.NoLoadStopS, 1):
		return &Begin{State: Loaded, ForS: long, SinceS: long}
	case u.times.on && loads && u.Control == VariableSpeed && pa > u.band.inPa:
		return &Begin{State: PartLoad, ForS: long, SinceS: long}
	case u.times.on && math.IsInf(u.NoLoadStopS, 1) && u.Control != StartStop:
		return &Begin{State: Unloaded, ForS: long, SinceS: long}
	}
	return &Begin{State: Stopped, ForS: long, SinceS: long}
}

// due takes one change that is due at this time and pressure; false: none is.
func (u *unit) due(tS, pa float64) bool {
	if u.times.pass(tS) {
		return true
	}
	if !u.times.on && u.mode != standing {
		u.mode = standing
		return true
	}
	switch u.mode {
	case standing:
		if !u.times.on || pa > u.band.inPa || tS < u.lastStartS+u.LeastBetweenStarts {
			return false
		}
		u.mode, u.untilS, u.lastStartS = starting, tS+u.StartS, tS
		u.unloadedS = math.Inf(-1) // an empty sump
		u.startsAt = append(u.startsAt, tS)
	case starting:
		if tS < u.untilS {
			return false
		}
		if pa < u.band.outPa || u.Control == Modulating {
			u.load(tS)
		} else {
			u.unload(tS, pa)
		}
	case resting:
		switch {
		case pa <= u.band.inPa:
			u.load(tS)
		case tS >= u.stopS:
			u.mode = standing
		default:
			return false
		}
	case filling:
		switch {
		case pa >= u.band.outPa && u.Control != Modulating:
			u.unload(tS, pa)
		case tS >= u.untilS:
			u.deliver(pa)
		default:
			return false
		}
	case delivering:
		switch {
		case tS >= u.closesS:
			u.unload(tS, pa)
		case pa >= u.law.outPa && math.IsInf(u.closesS, 1):
			u.closesS = tS + u.RunOnS
		default:
			return false
		}
	}
	return true
}

// deliver opens the inlet.
func (u *unit) deliver(pa float64) {
	u.mode, u.piece, u.closesS = delivering, pieceAt(u.law.pieces, pa), math.Inf(1)
}

// guarded tells that nothing but the starts guard keeps the machine from starting.
func (u *unit) guarded(tS, pa float64) bool {
	return u.mode == standing && u.times.on && pa <= u.band.inPa && tS < u.lastStartS+u.LeastBetweenStarts
}

// load begins to load: the sump is filled as far as it had blown down.
func (u *unit) load(tS float64) {
	u.loadsAt = append(u.loadsAt, tS)
	delayS := u.DelayS
	if u.BlowDownS > 0 {
		delayS *= -math.Expm1((u.unloadedS - tS) / u.BlowDownS)
	}
	u.fill(tS, delayS)
}

func (u *unit) fill(fromS, delayS float64) { u.mode, u.untilS = filling, fromS+delayS }

// unload takes the load off.
func (u *unit) unload(tS, pa float64) {
	if u.Control == StartStop {
		u.mode = standing
		return
	}
	u.rest(tS, pa)
}

// rest runs unloaded since a time; what only modulates does not, it throttles.
func (u *unit) rest(sinceS, pa float64) {
	switch u.Control {
	case Modulating:
		u.deliver(pa)
	case StartStop:
		u.mode = standing
	default:
		u.mode, u.unloadedS, u.stopS = resting, sinceS, math.Inf(1)
		if !math.IsInf(u.NoLoadStopS, 1) { // else the sum is no number where it has rested for ever
			u.stopS = sinceS + u.NoLoadStopS
		}
	}
}

// flowM3S is what it delivers, of a machine that delivers all or nothing its full
// flow whatever the pressure.
func (u *unit) flowM3S(pa float64) float64 {
	switch {
	case u.mode != delivering:
		return 0
	case u.steady():
		return u.FullFlowM3S
	}
	p := &u.law.pieces[u.piece]
	return p.flowM3S + p.flowPerPa*(pa-p.atPa)
}

// state is what its mode is called.
func (u *unit) state() State {
	switch u.mode {
	case standing:
		return Stopped
	case starting:
		return Starting
	case resting:
		return Unloaded
	case filling:
		return Loaded
	}
	return u.law.pieces[u.piece].state
}

// nextS is when its next timer runs out.
func (u *unit) nextS(tS, pa float64) float64 {
	next := u.times.edgeS
	switch u.mode {
	case standing:
		if u.guarded(tS, pa) {
			next = min(next, u.lastStartS+u.LeastBetweenStarts)
		}
	case starting, filling:
		next = min(next, u.untilS)
	case resting:
		next = min(next, u.stopS)
	case delivering:
		next = min(next, u.closesS)
	}
	return next
}

// above shows the pressures that matter to it while the pressure rises.
func (u *unit) above(see func(pa float64)) {
	switch {
	case u.mode == filling && u.Control != Modulating:
		see(u.band.outPa)
	case u.mode == delivering:
		if math.IsInf(u.closesS, 1) {
			see(u.law.outPa)
		}
		see(u.law.pieces[u.piece].toPa)
	}
}

// below shows those that matter while it falls.
func (u *unit) below(see func(pa float64)) {
	switch {
	case u.mode == resting || u.mode == standing && u.times.on:
		see(u.band.inPa)
	case u.mode == delivering:
		see(u.law.pieces[u.piece].fromPa)
	}
}

// count adds a stretch's starts and loads.
func (u *unit) count(r *MachineResult) {
	r.Starts += len(u.startsAt)
	r.Loads += len(u.loadsAt)
	r.StartsHourMax = max(r.StartsHourMax, mostInAnHour(u.startsAt))
	r.LoadsHourMax = max(r.LoadsHourMax, mostInAnHour(u.loadsAt))
	u.startsAt, u.loadsAt = u.startsAt[:0], u.loadsAt[:0]
}

// mostInAnHour is how many of the times, in order, lie at most within any 3600 s.
func mostInAnHour(times []float64) int {
	most, from := 0, 0
	for i, t := range times {
		for times[from] <= t-3600+1e-6 { // a guard of an hour's part leaves it to rounding
			from++
		}
		most = max(most, i-from+1)
	}
	return most
}
