package analysis

import (
	"fmt"
	"time"

	"loadscribe/agent/scan"
)

const (
	joulesPerKWh = 3.6e6
	wattsPerKW   = 1e3
)

// energyResult is one machine's energy in the forms that other figures need.
type energyResult struct {
	absent  string
	total   estimate // J
	atLeast bool
	method  string
	inputs  []string
	cells   []cellEnergy // in time order
	cellU   float64      // relative standard uncertainty of energy by cell
	running estimate     // J in running states; all where only a counter is read
	seen    estimate     // J while observed
}

// cellEnergy is the energy of a cell or of a part of one.
type cellEnergy struct {
	from, to int64
	joules   float64
	ms       int64 // how much of it was observed
}

// powers sets the power figures.
func (s *sheet) powers() {
	sp := s.g.sp
	if sp.power < 0 {
		s.absent("no power channel", "power_loaded", "power_unloaded_settled", "power_unloaded_mean")
		return
	}
	if !sp.hasStates || sp.runOnly {
		why := sp.statesAbsent
		if sp.runOnly {
			why = "no loaded signal, load fraction or power level tells loaded from unloaded"
		}
		s.absent(why, "power_loaded", "power_unloaded_settled", "power_unloaded_mean")
		return
	}
	c := &sp.chans[sp.power]
	set := func(name, missing, method string, part sum) {
		if part.ms == 0 {
			s.absent(missing, name)
			return
		}
		s.ratio(name, "kW", c.mean(part).scaled(1/wattsPerKW), method,
			fmt.Sprintf("%.0f s", float64(part.ms)/1000), []string{c.input()})
	}
	const both = "time-weighted mean of power between readings that both lie in the state"
	set("power_loaded", "the machine was not seen loaded", both, s.g.total.power.same[Loaded])
	set("power_unloaded_mean", "the machine was not seen unloaded", both, s.g.total.power.same[Unloaded])
	set("power_unloaded_settled", "unloaded power never settled: no unloaded time was long enough",
		fmt.Sprintf("mean unloaded power from %d s after unloading on, once power has stopped falling (a block of %d s no more than 2 %% below the one before)",
			settleMS/1000, settleBlockMS/1000), s.g.total.settled)
}

// energies sets energy, cost and demand.
func (s *sheet) energies() {
	s.energy = s.findEnergy()
	e := &s.energy
	names := []string{"energy", "energy_unloaded", "energy_off_shift", "energy_cost", "demand_cost", "emissions", "peak_demand"}
	if e.absent != "" {
		s.absent(e.absent, names...)
		return
	}
	s.energySums(e)
	s.energyUnloaded()
}

// energySums sets the figures that follow from an energyResult alone, for
// machines and systems.
func (s *sheet) energySums(e *energyResult) {
	put := func(name, unit string, v estimate, atLeast bool, method string, inputs []string) {
		f := s.put(name, unit, v, method, inputs)
		f.AtLeast = atLeast
		s.figures[name] = *f
	}
	put("energy", "kWh", e.total.scaled(1/joulesPerKWh), e.atLeast, e.method, e.inputs)
	t := &s.site.Tariff
	if t.EmissionsProvided {
		put("emissions", "kg", e.total.scaled(t.EmissionsKgPerJ), e.atLeast,
			"energy times the site's emission factor, which is taken as exact", append([]string{"emission factor"}, e.inputs...))
	} else {
		s.absent("no emission factor in the site file", "emissions")
	}
	s.offShift(e, put)
	s.cost(e, put)
	s.demand(e, put)
}

type putFunc func(name, unit string, v estimate, atLeast bool, method string, inputs []string)

func (s *sheet) offShift(e *energyResult, put putFunc) {
	if len(s.site.Shifts) == 0 {
		s.absent("no shifts in the site file", "energy_off_shift")
		return
	}
	var joules float64
	for _, c := range e.cells {
		if s.site.OffShift(millis(c.from)) {
			joules += c.joules
		}
	}
	put("energy_off_shift", "kWh", estimate{joules, joules * e.cellU}.scaled(1/joulesPerKWh), s.partial,
		"energy of the observed time outside the site's shifts, in local time", e.inputs)
}

func (s *sheet) cost(e *energyResult, put putFunc) {
	t := &s.site.Tariff
	if t.Currency == "" || len(t.Energy) == 0 {
		s.absent("no energy price in the site file", "energy_cost")
		return
	}
	var money float64
	for _, c := range e.cells {
		price, ok := priceAt(s.site, c.from)
		if !ok {
			s.absent("the tariff has no price for "+millis(c.from).In(s.site.Location).Format("Mon 15:04"), "energy_cost")
			return
		}
		money += float64(c.joules / joulesPerKWh * price)
	}
	put("energy_cost", t.Currency, estimate{money, money * e.cellU}, s.partial,
		"energy of the observed time by quarter hour, times the price that holds then", append([]string{"tariff"}, e.inputs...))
}

// demand sets peak_demand and demand_cost.
func (s *sheet) demand(e *energyResult, put putFunc) {
	t := &s.site.Tariff
	window := t.DemandWindow.Milliseconds()
	if window <= 0 {
		window = cellMS
	}
	if window%cellMS != 0 {
		s.absent("the tariff's demand window is not whole quarter hours", "peak_demand", "demand_cost")
		return
	}
	peak, full := peakOf(e.cells, window, s.site.Location)
	if peak < 0 {
		s.absent(fmt.Sprintf("no whole demand window of %d min lies in this window", window/60_000), "peak_demand", "demand_cost")
		return
	}
	kW := peak / (float64(window) / 1000) / wattsPerKW
	atLeast := !full || s.partial
	put("peak_demand", "kW", estimate{kW, kW * e.cellU}, atLeast,
		fmt.Sprintf("greatest mean power over a clock-aligned window of %d min", window/60_000), e.inputs)
	switch {
	case t.DemandPrice <= 0 || t.Currency == "":
		s.absent("no demand price in the site file", "demand_cost")
	case !wholeMonth(s.site, s.g.from, s.g.to):
		s.absent("a demand charge is for a whole billing month, and this window is not one", "demand_cost")
	default:
		cost := kW * t.DemandPrice
		put("demand_cost", t.Currency, estimate{cost, cost * e.cellU}, atLeast,
			"own peak demand times the demand price: what it costs if the plant's peak falls at the same time", append([]string{"tariff"}, e.inputs...))
	}
}

// peakOf is the greatest energy in any window aligned to the local clock; negative where no whole
// window is at hand. full is false where a window was not wholly observed.
func peakOf(cells []cellEnergy, windowMS int64, loc *time.Location) (joules float64, full bool) {
	joules, full = -1, true
	for i := 0; i < len(cells); {
		_, offsetS := millis(cells[i].from).In(loc).Zone()
		begin := cells[i].from - mod(cells[i].from+int64(offsetS)*1000, windowMS)
		var sum float64
		var ms, span int64
		for ; i < len(cells) && cells[i].from < begin+windowMS; i++ {
			sum += cells[i].joules
			ms += cells[i].ms
			span += cells[i].to - cells[i].from
		}
		if span != windowMS {
			continue // cut by the window, or cells without a scan
		}
		if ms < windowMS-windowMS/100 {
			full = false
		}
		if sum > joules {
			joules = sum
		}
	}
	return joules, full
}

func mod(a, m int64) int64 {
	r := a % m
	if r < 0 {
		r += m
	}
	return r
}

func (s *sheet) energyUnloaded() {
	sp := s.g.sp
	switch {
	case sp.power < 0:
		s.absent("no power channel: an energy counter alone is too coarse to split by state", "energy_unloaded")
	case !sp.hasStates:
		s.absent(sp.statesAbsent, "energy_unloaded")
	case sp.runOnly:
		s.absent("no loaded signal, load fraction or power level tells loaded from unloaded", "energy_unloaded")
	default:
		c := &sp.chans[sp.power]
		part := c.integral(s.g.total.power.all[Unloaded])
		// Power at a transition may be given to either side of it.
		edge := s.timeU(s.edges[Unloaded]) * s.meanPower()
		s.add("energy_unloaded", "kWh", estimate{part.v, quad(part.u, edge)}.scaled(1/joulesPerKWh),
			"integral of power over unloaded time", []string{c.input()})
	}
}

// meanPower is the mean of all power readings, in W.
func (s *sheet) meanPower() float64 {
	var all sum
	for i := range s.g.total.power.all {
		all.merge(s.g.total.power.all[i])
	}
	if all.ms == 0 {
		return 0
	}
	return s.g.sp.chans[s.g.sp.power].mean(all).v
}

// findEnergy takes energy from the counter or from power, whichever is the
// surer for this window.
func (s *sheet) findEnergy() energyResult {
	sp := s.g.sp
	counter := sp.find(scan.Energy)
	byCounter, hasCounter := s.counterEnergy(counter)
	byPower, hasPower := s.powerEnergy()
	switch {
	case !hasCounter && !hasPower:
		if sp.power < 0 && counter < 0 {
			return energyResult{absent: "no energy counter and no power channel"}
		}
		return energyResult{absent: "neither energy nor power was read in this window"}
	case !hasPower:
		return byCounter
	case !hasCounter:
		return byPower
	}
	best := byPower
	if byCounter.total.u <= byPower.total.u || (byPower.atLeast && !byCounter.atLeast) {
		best.total, best.atLeast = byCounter.total, byCounter.atLeast
		best.method = byCounter.method + fmt.Sprintf("; power integrates to %.1f kWh over the observed time", byPower.total.v/joulesPerKWh)
		best.inputs = append(append([]string(nil), byCounter.inputs...), byPower.inputs...)
	} else {
		best.method += fmt.Sprintf("; the counter rose by %.1f kWh", byCounter.total.v/joulesPerKWh)
	}
	return best
}

// powerEnergy integrates power.
func (s *sheet) powerEnergy() (energyResult, bool) {
	sp := s.g.sp
	if sp.power < 0 {
		return energyResult{}, false
	}
	c := &sp.chans[sp.power]
	var all, run sum
	for st := range s.g.total.power.all {
		all.merge(s.g.total.power.all[st])
		if State(st).Running() {
			run.merge(s.g.total.power.all[st])
		}
	}
	if all.ms == 0 {
		return energyResult{}, false
	}
	e := energyResult{total: c.integral(all), running: c.integral(run), method: "integral of power, straight lines between readings", inputs: []string{c.input()}}
	e.seen = e.total
	e.atLeast = s.partial || s.g.to-s.g.from-all.ms > c.gapMS
	if e.total.v != 0 {
		e.cellU = e.total.u / e.total.v
	}
	for i := range s.g.cells {
		cell := &s.g.cells[i]
		drawn := cell.d.drawn()
		e.cells = append(e.cells, cellEnergy{cell.from, cell.to, c.integral(drawn).v, drawn.ms})
	}
	return e, true
}

// counterEnergy takes the counter's difference, gaps that lie wholly in the
// window bridged.
func (s *sheet) counterEnergy(ch int) (energyResult, bool) {
	if ch < 0 {
		return energyResult{}, false
	}
	c := &s.g.sp.chans[ch]
	n := &s.g.total.counters[c.slot]
	if n.ms == 0 {
		return energyResult{}, false
	}
	counts, bridged := n.diff, int64(0)
	e := energyResult{method: "difference of the energy counter", inputs: []string{c.input()}}
	for _, g := range n.gaps {
		if g.from < s.g.from {
			continue
		}
		counts += g.diff
		bridged += g.to - g.from
		if g.reset {
			e.atLeast = true
		}
	}
	if n.wraps > 0 {
		e.method += fmt.Sprintf(", %d wraps of the register allowed for", n.wraps)
	}
	if n.resets > 0 {
		e.atLeast = true
		e.method += fmt.Sprintf(", which fell back %d times (nothing counted there)", n.resets)
	}
	e.atLeast = e.atLeast || s.g.to-s.g.from-n.ms-bridged > c.gapMS
	e.total = c.rise(counts)
	e.seen = c.rise(n.diff)
	e.running = e.seen
	if e.seen.v != 0 {
		e.cellU = e.seen.u / e.seen.v
	}
	for i := range s.g.cells {
		cell := &s.g.cells[i]
		j := float64(float64(cell.d.counters[c.slot]) * c.countSI)
		e.cells = append(e.cells, cellEnergy{cell.from, cell.to, j, cell.d.counterMS[c.slot]})
	}
	return e, true
}

// rise is a counter's difference in SI. Each end may be late by a count.
func (c *chanSpec) rise(counts int64) estimate {
	v := float64(float64(counts) * c.countSI)
	return estimate{v, quad(rectangular(c.accuracyLimit(v)), rectangular(c.countSI), rectangular(c.countSI))}
}
