package engine

import (
	"errors"
	"fmt"
	"math"
)

// Errors of Play besides ErrInvalid.
var (
	// ErrStopped: Options.Stop said so.
	ErrStopped = errors.New("stopped")
	// ErrRestless: a machine turns faster than any could, so that the settings mean
	// nothing.
	ErrRestless = errors.New("turns more than a hundred times a second")
)

const (
	turnsASecond  = 100
	eventsASecond = 10000 // any, also of the pressure alone
	askStopEvery  = 4096  // events
)

// player is a plant at a moment of its play.
type player struct {
	plant *Plant
	opt   Options
	res   *Result
	units []unit
	rots  []turning

	paPerM3 float64 // InletPa / VolumeM3
	tS, pa  float64
	demand  demandLaw
	slot    int // of Result.SlotJ
	slotEnd float64
	events  int

	turns      int // of machines since turnsFromS
	turnedLast int // the machine
	eventsFrom int // events at turnsFromS
	turnsFromS float64
	paS        float64 // ∫p dt
	watch      times   // of Plant.Watch
}

// Play plays a demand through a plant. The plant and the demand are only read.
func Play(p *Plant, demand []Stretch, o Options) (*Result, error) {
	if err := Validate(p); err != nil {
		return nil, err
	}
	if err := validateStretches(p, demand); err != nil {
		return nil, err
	}
	pl := &player{plant: p, opt: o, paPerM3: p.InletPa / p.VolumeM3,
		res: &Result{Machines: make([]MachineResult, len(p.Machines)), LowestPa: math.Inf(1), HighestPa: math.Inf(-1)}}
	for i := range demand {
		if err := pl.stretch(&demand[i]); err != nil {
			return nil, err
		}
	}
	return pl.finish(), nil
}

// finish makes the sums that need the whole play. Without any demand the pressures
// are 0.
func (pl *player) finish() *Result {
	r := pl.res
	if r.Seconds == 0 {
		r.LowestPa, r.HighestPa = 0, 0
		return r
	}
	if math.IsInf(r.LowestPa, 1) {
		r.LowestPa = math.NaN()
	}
	r.MeanPa = pl.paS / r.Seconds
	for i := range r.Machines {
		r.SuppliedM3 += r.Machines[i].SuppliedM3
	}
	return r
}

// stretch plays one from its beginning to its end.
func (pl *player) stretch(s *Stretch) error {
	if len(s.Segments) == 0 {
		return nil
	}
	pl.tS, pl.pa = s.StartS, s.StartPa
	pl.turns, pl.eventsFrom, pl.turnsFromS = 0, pl.events, pl.tS
	if pl.slotEnd = math.Inf(1); pl.plant.SlotS > 0 {
		pl.toSlot(int(pl.tS / pl.plant.SlotS))
	}
	pl.watch = timesOf(pl.plant.Watch, pl.tS)
	pl.begin(s)
	pl.see()
	endS := pl.tS
	for i := range s.Segments {
		endS += s.Segments[i].Seconds
		pl.demand.set(pl.plant, &s.Segments[i], pl.pa)
		if err := pl.settle(); err != nil {
			return err
		}
		if i == 0 {
			pl.trace(true)
		}
		for pl.tS < endS {
			if err := pl.event(endS); err != nil {
				return err
			}
		}
	}
	for i := range pl.units {
		pl.units[i].count(&pl.res.Machines[i])
	}
	pl.res.StoredM3 += (pl.pa - s.StartPa) / pl.paPerM3
	return nil
}

// event goes to the next one and takes what is due there.
func (pl *player) event(endS float64) error {
	pl.events++
	if pl.events%askStopEvery == 0 && pl.opt.Stop != nil && pl.opt.Stop() {
		return ErrStopped
	}
	if err := pl.rests(); err != nil {
		return err
	}
	pl.advance(endS)
	pl.see()
	if pl.watch.pass(pl.tS) {
		pl.see()
	}
	if err := pl.settle(); err != nil {
		return err
	}
	pl.trace(false)
	return nil
}

// settle takes all that is due at this time, in the order of the package comment.
func (pl *player) settle() error {
	for i := range pl.rots {
		for pl.rots[i].nextS <= pl.tS {
			pl.turn(&pl.rots[i])
		}
	}
	pl.common()
	for again := true; again; {
		again = false
		for i := range pl.units {
			u := &pl.units[i]
			for u.due(pl.tS, pl.pa) {
				again = true
				if err := pl.turned(i); err != nil {
					return err
				}
				pl.common()
			}
		}
	}
	return nil
}

// common takes what the machines deliver into what their controls read.
func (pl *player) common() {
	if pl.plant.CommonDropPa == 0 {
		return
	}
	perM3S2 := pl.plant.CommonDropPa / (pl.plant.CommonM3S * pl.plant.CommonM3S)
	all, steady := 0.0, 0.0
	for i := range pl.units {
		m3s := pl.units[i].flowM3S(pl.pa)
		if all += m3s; pl.units[i].steady() {
			steady += m3s
		}
	}
	for i := range pl.units {
		u := &pl.units[i]
		others := all - u.flowM3S(pl.pa)
		c := common{perM3S2, others}
		if !u.steady() {
			c.othersM3S = steady // its own is none of it
		}
		if others != u.othersM3S || c.perM3S2 != u.common.perM3S2 {
			u.othersM3S, u.common.perM3S2 = others, perM3S2
			u.readBand()
		}
		if c != u.common {
			u.common = c
			u.readLaw(pl.pa)
		}
	}
}

// turned counts a machine's change of state, against plants that never rest.
func (pl *player) turned(i int) error {
	pl.turns++
	pl.turnedLast = i
	return pl.rests()
}

// rests is the error of a plant that does not.
func (pl *player) rests() error {
	if pl.tS >= pl.turnsFromS+1 {
		pl.turns, pl.eventsFrom, pl.turnsFromS = 0, pl.events, pl.tS
	}
	if pl.turns <= turnsASecond*len(pl.units) && pl.events-pl.eventsFrom <= eventsASecond {
		return nil
	}
	return fmt.Errorf("machine %s %w after %.0f s: its band, the receiver and its timers do not fit",
		pl.plant.Machines[pl.turnedLast].Name, ErrRestless, pl.tS)
}

// see takes note of the pressure at an event: between two it only rises or only falls.
func (pl *player) see() {
	if pl.watch.on && pl.pa < pl.res.LowestPa {
		pl.res.LowestPa, pl.res.LowestAtS = pl.pa, pl.tS
	}
	pl.res.HighestPa = max(pl.res.HighestPa, pl.pa)
}

func (pl *player) trace(first bool) {
	if !pl.opt.Trace {
		return
	}
	point := TracePoint{AtS: pl.tS, Pa: pl.pa, Break: first, States: make([]State, len(pl.units))}
	for i := range pl.units {
		point.States[i] = pl.units[i].state()
	}
	pl.res.Trace = append(pl.res.Trace, point)
}

// toSlot goes to a slot of Result.SlotJ.
func (pl *player) toSlot(n int) {
	pl.slot, pl.slotEnd = n, float64(n+1)*pl.plant.SlotS
}
