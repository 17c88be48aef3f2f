package analysis

import (
	"fmt"
	"math"

	"loadscribe/agent/gum"
	"loadscribe/agent/sitefile"
)

const (
	joulesPerKWh = 3.6e6
	wattsPerKW   = 1e3
)

// energyResult is one machine's energy in the forms that other figures need.
type energyResult struct {
	absent      string
	total       gum.Value // J
	atLeast     bool
	method      string
	inputs      []string
	cells       []cellEnergy // in time order
	demand      []cellEnergy // where quarter hours and states are told by another channel; else nil
	bridged     []bridge     // counted while nobody looked
	cell        gum.Value    // what the energy of a cell is multiplied with: 1, with its relative uncertainty
	running     gum.Value    // J in running states; all where only a counter is read
	seen        gum.Value    // J while observed
	seenMS      int64
	step        float64   // J: what the cells of a counter are told by; 0 for power
	fineCell    gum.Value // cell, of the fine cells
	hasUnloaded bool      // the fine cells tell unloaded energy
	byCounter   bool      // the fine cells are the counter's
	money       gum.Value // of the energy while observed, at the prices of its hours
	moneyAbsent string
}

// cellEnergy is the energy of a cell or of a part of one, in J.
type cellEnergy struct {
	from, to int64
	joules   float64
	ms       int64 // how much of it was observed
	running  float64
	unloaded float64
	slots    *[slotsPerCell]slotEnergy // nil: not asked for
}

type slotEnergy struct {
	joules, unloaded float64
	ms               int64
}

// bridge is what a counter rose by over a gap, between two wall times.
type bridge struct {
	from, to int64
	joules   float64
}

func (e *energyResult) setRelative() {
	if e.seen.V == 0 {
		e.seen = e.total
	}
	if e.cell = gum.Exact(1); e.seen.V != 0 {
		e.cell = gum.Linear(1, gum.Term{C: 1 / e.seen.V, X: e.seen})
	}
	e.fineCell = e.cell
}

// fine is the cells by which demand and states are told.
func (e *energyResult) fine() []cellEnergy {
	if e.demand != nil {
		return e.demand
	}
	return e.cells
}

// powers sets the power figures.
func (s *sheet) powers() {
	names := []string{"power_loaded", "power_unloaded_settled", "power_unloaded_mean"}
	sp := s.g.sp
	switch {
	case s.draw == nil:
		s.absent(s.drawAbsent, names...)
		return
	case !sp.hasStates:
		s.absent(sp.statesAbsent, names...)
		return
	case sp.runOnly:
		s.absent("no loaded signal, load fraction or power level tells loaded from unloaded", names...)
		return
	}
	from := "power"
	if !s.draw.plain() {
		from = "power (" + s.draw.method + ")"
	} else if sp.reckon != nil {
		from = "reckoned power"
	}
	unloads := tallyUnloads(s.g.total.falls)
	set := func(name, missing, method string, st State, part sum) {
		if part.ms == 0 {
			s.absent(missing, name)
			return
		}
		over := fmt.Sprintf("%.0f s", float64(part.ms)/1000)
		if name == "power_unloaded_settled" {
			over += ", " + unloads.settledOf()
		}
		s.ratioValue(name, "kW", s.draw.mean(st, part, s.g.to).Scaled(1/wattsPerKW), method, over, s.draw.inputs)
	}
	both := "time-weighted mean of " + from + " between readings that both lie in the state"
	set("power_loaded", "the machine was not seen loaded", both, Loaded, s.g.total.power.same[Loaded])
	set("power_unloaded_mean", "the machine was not seen unloaded", both, Unloaded, s.g.total.power.same[Unloaded])
	set("power_unloaded_settled", unloads.neverSettled(),
		fmt.Sprintf("mean unloaded %s from %d s after unloading on, once it has stopped falling (a block of %d s no more than 2 %% below the one before) and unless the sump has kept its pressure",
			from, settleMS/1000, settleBlockMS/1000), Unloaded, s.g.total.settled)
}

// energies sets energy, cost and demand.
func (s *sheet) energies(m *sitefile.Machine) {
	s.findEnergy(m)
	e := &s.energy
	if e.absent != "" {
		s.absent(e.absent, energyNames()...)
		s.absent(e.absent, "energy_unloaded")
		return
	}
	s.energySums(e)
	s.energyUnloaded()
}

// energyNames are the figures that follow from an energyResult.
func energyNames() []string {
	return []string{"energy", "energy_off_shift", "energy_cost", "demand_cost", "emissions", "peak_demand"}
}

// energySums sets the figures that follow from an energyResult alone, for
// machines and systems.
func (s *sheet) energySums(e *energyResult) {
	s.boundValue("energy", "kWh", e.total.Scaled(1/joulesPerKWh), e.atLeast, e.method, e.inputs)
	t := &s.site.Tariff
	if t.EmissionsProvided {
		s.boundValue("emissions", "kg", e.total.Scaled(t.EmissionsKgPerJ), e.atLeast,
			"energy times the site's emission factor, which is taken as exact", append([]string{"emission factor"}, e.inputs...))
	} else {
		s.absent("no emission factor in the site file", "emissions")
	}
	s.offShift(e)
	s.cost(e)
	s.demand(e)
	s.margins(e)
}

// bound is put with at_least said.
func (s *sheet) bound(name, unit string, v estimate, atLeast bool, method string, inputs []string) {
	f := s.put(name, unit, v, method, inputs)
	f.AtLeast = atLeast
	s.figures[name] = *f
}

func (s *sheet) offShift(e *energyResult) {
	if len(s.site.Shifts) == 0 {
		s.absent("no shifts in the site file", "energy_off_shift")
		return
	}
	cal := newCalendar(s.site)
	var joules, unsure, edges float64
	before := false
	for i, c := range e.cells {
		off := cal.offShift(c.from)
		if off {
			joules += c.joules
		}
		if i > 0 && off != before {
			edges++
		}
		before = off
	}
	for _, b := range e.bridged {
		share := cal.shareOff(b.from, b.to)
		switch share {
		case 0:
		case 1:
			joules += b.joules
		default:
			// Between none and all of it, and no more is known.
			joules += float64(b.joules / 2)
			unsure += float64(b.joules / 2)
		}
	}
	method := "energy outside the site's shifts, in local time; a shift that would begin on a holiday of the site does not take place"
	if unsure > 0 {
		method += fmt.Sprintf("; of %.1f kWh counted over gaps that reach over a shift's edge half is taken, ± half", 2*unsure/joulesPerKWh)
	}
	v := gum.Sum(e.cell.Scaled(joules), gum.New(0, rectangular(unsure), coverageInput(s.g.sp.name)),
		gum.New(0, rectangular(e.step)*math.Sqrt(edges), counterEdges))
	s.boundValue("energy_off_shift", "kWh", v.Scaled(1/joulesPerKWh), e.atLeast,
		method, append([]string{"shifts"}, e.inputs...))
}

func (s *sheet) energyUnloaded() {
	sp := s.g.sp
	switch {
	case s.draw == nil:
		s.absent("no power channel: an energy counter alone is too coarse to split by state", "energy_unloaded")
	case !sp.hasStates:
		s.absent(sp.statesAbsent, "energy_unloaded")
	case sp.runOnly:
		s.absent("no loaded signal, load fraction or power level tells loaded from unloaded", "energy_unloaded")
	default:
		var only [numStates]sum
		only[Unloaded] = s.g.total.power.all[Unloaded]
		s.unloaded = s.draw.spread(s.unloadedJoules(), &only, s.g.to)
		// Power at a transition may be given to either side of it.
		edge := s.timeU(s.edges[Unloaded]) * s.meanPower()
		startEnds := rectangular(float64(startUnsure*s.startingS())) * s.meanPower()
		s.unloaded = s.unloaded.Plus(gum.New(0, edge, momentsInput(s.g.sp.name))).Plus(gum.New(0, startEnds, startEndInput(s.g.sp.name)))
		s.addValue("energy_unloaded", "kWh", s.unloaded.Scaled(1/joulesPerKWh),
			"unloaded time: "+s.draw.method, s.draw.inputs)
	}
}

func (s *sheet) unloadedJoules() float64 {
	if s.draw.plain() {
		return s.draw.takes(s.g.total.power.all[Unloaded])
	}
	var v float64
	for _, c := range s.draw.cells(s.g.cells) {
		v += c.unloaded
	}
	return v
}

// meanPower is the mean over all readings, in W.
func (s *sheet) meanPower() float64 {
	all := drawnOf(&s.g.total.power.all)
	if all.all.ms == 0 {
		return 0
	}
	v, _ := s.draw.joules(&all, s.g.to)
	return v / (float64(all.all.ms) / 1000)
}
