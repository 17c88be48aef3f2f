package analysis

import (
	"errors"
	"fmt"
	"strings"
	"time"

	"loadscribe/agent/gum"
	"loadscribe/agent/sitefile"
)

// figureNames are the names of the contract, in its order.
func figureNames() []string {
	return []string{
		"observed_time", "unobserved_time", "off_time", "standby_time", "stopped_time", "unloaded_time",
		"loaded_time", "part_load_time", "running_time", "duty_cycle", "loaded_share", "mean_load_fraction",
		"starts", "starts_after_power_failure", "starts_failed", "starts_per_hour_mean", "starts_per_hour_max",
		"shortest_rest", "load_cycles", "load_cycles_per_hour", "mean_load_cycle", "power_loaded",
		"power_unloaded_settled", "power_unloaded_mean", "blowdown_time", "sump_pressure_residual", "peak_demand", "energy",
		"energy_unloaded", "energy_off_shift", "energy_cost", "demand_cost", "emissions", "delivery_delay", "air_delivered",
		"air_demand_mean", "air_demand_peak", "flow_mean", "flow_peak", "full_load_flow", "specific_power", "specific_power_loaded", "specific_power_rated", "specific_energy", "air_cost",
		"isentropic_efficiency", "pressure_mean", "pressure_min", "pressure_max", "pressure_p05", "pressure_p95",
		"pressure_mean_shift", "pressure_min_shift", "pressure_max_shift", "pressure_p05_shift", "pressure_p95_shift",
		"cut_in_seen", "cut_out_seen", "band_seen", "cut_in_set", "cut_out_set", "band_set", "cycle_low", "cycle_high",
		"pressure_swing", "separator_drop", "filter_drop", "dryer_drop", "package_drop", "treatment_drop", "time_below_minimum", "time_below_minimum_shift", "time_below_minimum_all",
		"longest_below_minimum", "longest_below_minimum_shift", "longest_below_minimum_all", standingShare,
		"quiet_demand", "quiet_pressure", "leak_flow", "leak_share", "leak_cost", "volume_per_flow", "effective_volume", "approach_temperature", "phase_unbalance", "condensate",
		"discharge_rise", "discharge_temperature_max", "discharge_margin", "motor_derating", "sump_dew_point",
		"water_risk_share",
	}
}

// machineOnly are the figures that a system does not have.
func machineOnly(name string) bool {
	switch name {
	case "off_time", "standby_time", "stopped_time", "unloaded_time", "loaded_time", "part_load_time",
		"running_time", "duty_cycle", "loaded_share", "mean_load_fraction", "starts",
		"starts_after_power_failure", "starts_failed", "starts_per_hour_mean", "starts_per_hour_max",
		"shortest_rest", "load_cycles", "load_cycles_per_hour", "mean_load_cycle", "power_loaded",
		"power_unloaded_settled", "power_unloaded_mean", "blowdown_time", "sump_pressure_residual", "specific_power_loaded", "delivery_delay", "specific_power_rated", "full_load_flow",
		"isentropic_efficiency", "cut_in_seen", "cut_out_seen", "band_seen", "cut_in_set", "cut_out_set", "band_set",
		"cycle_low", "cycle_high", "pressure_swing", "separator_drop", "filter_drop", "dryer_drop", "package_drop", "treatment_drop",
		"approach_temperature", "phase_unbalance",
		"condensate", "discharge_rise", "discharge_temperature_max", "discharge_margin", "motor_derating",
		"sump_dew_point", "water_risk_share":
		return true
	}
	return false
}

// systemOnly are the figures that one machine does not have.
func systemOnly(name string) bool {
	switch name {
	case "time_below_minimum", "time_below_minimum_shift", "time_below_minimum_all", "longest_below_minimum",
		"longest_below_minimum_shift", "longest_below_minimum_all", standingShare, "air_demand_mean", "air_demand_peak", "quiet_demand", "quiet_pressure", "leak_flow", "leak_share", "leak_cost", "volume_per_flow", "effective_volume":
		return true
	}
	return false
}

// Reasons of figures that belong to the other kind of subject: they are no lack
// of the data.
const (
	NotOfSystem  = "a figure of one machine, not of a system"
	NotOfMachine = "a figure of the system, not of one machine"
)

// nothingLow is why there is no share of a low time: there was none.
const nothingLow = "in shift hours the pressure did not fall below the minimum"

// NoLack reports whether a figure is absent for a reason that is no lack of the data: a
// list of what could not be told leaves it out.
func NoLack(reason string) bool {
	return reason == NotOfSystem || reason == NotOfMachine || reason == nothingLow
}

// sheet collects the figures of one subject.
type sheet struct {
	g        *gathered
	q        *question
	site     *sitefile.Site
	coverage float64
	partial  bool // part of the window was not observed
	figures  map[string]Figure
	tables   []Table
	err      error // of a source that was asked for more than the window
	// Results that other figures are made from.
	draw             *drawModel // nil: no power is known
	drawAbsent       string     // why
	machines         []*sheet   // of a system
	billing          *billing   // nil: demand is not charged
	wide             *load      // what loadOver made last
	wideFrom, wideTo int64
	energy           energyResult
	unloaded         gum.Value // J while unloaded, where energy_unloaded is known
	inlet            inletAir
	full             fullFlow
	air              airResult
	storage          *storage             // of a machine; nil: nothing was observed
	values           map[string]gum.Value // of figures whose inputs are named
	vague            map[string]Figure    // those that were taken back, for they are known too badly
	unlikeVolume     string               // a sentence, where the storage is not what the site file says
	balance          *airBalance          // of a system; nil: not made
	quiet            *quietResult         // of a system; nil: nothing balances
	edges            [numStates]int       // observed transitions into or out of each state
	running          int                  // observed starts and stops of the motor
}

const nothingSeen = "nothing was observed in this window"

// wholeShare is the observed share of a window from which on a sum over it is as good
// as whole: what is missing lies below any meter's error.
const wholeShare = 0.999

func newSheet(g *gathered, q *question) *sheet {
	s := &sheet{g: g, q: q, site: q.site, tables: []Table{}, figures: map[string]Figure{}}
	window := g.to - g.from
	observed := g.total.observedMS()
	if window > 0 {
		s.coverage = min(1, float64(observed)/float64(window))
	}
	s.partial = (len(g.total.gaps) > 0 || window-observed > s.gapMS()) && s.coverage < wholeShare
	s.countEdges()
	return s
}

func (s *sheet) gapMS() int64 {
	if s.g.sp.master < 0 {
		return 0
	}
	return s.g.sp.chans[s.g.sp.master].gapMS
}

// countEdges counts the transitions that were seen happen.
func (s *sheet) countEdges() {
	state := Unobserved
	if s.g.entry != nil && s.g.entry.known {
		state = s.g.entry.state
	}
	for _, t := range s.g.total.transitions {
		if !t.fresh {
			s.edges[state]++
			s.edges[t.state]++
			if state.Running() != t.state.Running() {
				s.running++
			}
		}
		state = t.state
	}
}

// put adds a figure. The half width is twice the standard uncertainty, which
// the compiler writes as a sum: hence the rounding of what goes in.
func (s *sheet) put(name, unit string, e estimate, method string, inputs []string) *Figure {
	value, half := e.v, float64(coverageFactor*float64(e.u))
	cover := s.coverage
	s.figures[name] = Figure{Name: name, Value: &value, Unit: unit, Uncertainty: &half, Level: stated,
		Coverage: &cover, Method: method, Inputs: eachOnce(inputs)}
	f := s.figures[name]
	return &f
}

// add is put for figures that add up over time: they are a lower bound while
// part of the window was not observed.
func (s *sheet) add(name, unit string, e estimate, method string, inputs []string) {
	f := s.put(name, unit, e, method, inputs)
	f.AtLeast = s.partial
	s.figures[name] = *f
}

// atLeast makes a figure a lower bound for the reasons given, if there are any.
func (s *sheet) atLeast(name string, why ...string) {
	f := s.figures[name]
	if len(why) == 0 || f.Value == nil {
		return
	}
	f.AtLeast, f.AtLeastWhy = true, strings.Join(why, ", ")
	s.figures[name] = f
}

// ratio is put with a denominator.
func (s *sheet) ratio(name, unit string, e estimate, method, denominator string, inputs []string) {
	f := s.put(name, unit, e, method, inputs)
	f.Denominator = denominator
	s.figures[name] = *f
}

func (s *sheet) absent(reason string, names ...string) {
	for _, n := range names {
		s.figures[n] = Figure{Name: n, Absent: reason}
	}
}

// list is every figure of the contract in its order.
func (s *sheet) list() []Figure {
	var all []Figure
	for _, name := range figureNames() {
		f, ok := s.figures[name]
		switch {
		case ok:
		case s.g.sp.system && machineOnly(name):
			f = Figure{Name: name, Absent: NotOfSystem}
		case !s.g.sp.system && systemOnly(name):
			f = Figure{Name: name, Absent: NotOfMachine}
		default:
			f = Figure{Name: name, Absent: "this version does not compute it"}
		}
		all = append(all, f)
	}
	return all
}

// Compute makes every figure of the window [fromMS, toMS), Unix ms UTC, cut at
// nowMS. machine names one machine; empty means all machines and systems.
// Where the window cuts an interval whose raw scans are no longer kept, the
// window grows to the interval's edge; the Report says which window it is.
func Compute(src Source, site *sitefile.Site, fromMS, toMS, nowMS int64, machine string) (Report, error) {
	c, err := computeAny(src, site, fromMS, toMS, nowMS, machine)
	return c.Report, err
}

// computed is a Report with the sheets that it was made of.
type computed struct {
	Report
	machines, systems map[string]*sheet
}

func computeAny(src Source, site *sitefile.Site, fromMS, toMS, nowMS int64, machine string) (computed, error) {
	from, to := fromMS, min(toMS, nowMS)
	c, err := compute(src, site, from, to, nowMS, machine, gather, false)
	if errors.Is(err, errRawMissing) {
		from, to = cellOf(from), cellOf(to-1)+cellMS
		c, err = compute(src, site, from, to, nowMS, machine, gatherWhole, false)
		c.Notes = append(c.Notes, widened(src))
	}
	return c, err
}

// widened says that a window could not be cut where it was asked for.
func widened(src Source) string {
	return fmt.Sprintf("raw readings before %s are no longer kept: the window was widened to whole intervals of 15 minutes, and an interval that a shift begins or ends inside is not divided",
		stamp(rawFrom(src)))
}

// ComputeRaw is Compute from raw scans alone, folded from the first scan that
// is kept. It is slow, and the same to the last bit: tests and benches hold
// Compute to it.
func ComputeRaw(src Source, site *sitefile.Site, fromMS, toMS, nowMS int64, machine string) (Report, error) {
	c, err := compute(src, site, fromMS, min(toMS, nowMS), nowMS, machine, gatherRaw, true)
	return c.Report, err
}

type gatherer func(src Source, sp *spec, from, to int64, splits []int64) (*gathered, error)

func gatherRaw(src Source, sp *spec, from, to int64, splits []int64) (*gathered, error) {
	g := newGathered(sp, from, to, splits)
	if len(sp.chans) == 0 || from >= to {
		return g, nil
	}
	return g, g.fromRaw(src, beginMS)
}

// gatherWhole leaves cells whole where shifts would cut them.
func gatherWhole(src Source, sp *spec, from, to int64, _ []int64) (*gathered, error) {
	return gather(src, sp, from, to, nil)
}

func compute(src Source, site *sitefile.Site, from, to, now int64, machine string, get gatherer, raw bool) (computed, error) {
	if machine != "" {
		if _, ok := site.MachineByName(machine); !ok {
			return computed{}, fmt.Errorf("machine %q is not in the site file", machine)
		}
	}
	to = max(to, from)
	rep := computed{Report: Report{From: stamp(from), To: stamp(to), Machines: []MachineFigures{}, Systems: []SystemFigures{}},
		machines: map[string]*sheet{}, systems: map[string]*sheet{}}
	splits := shiftSplits(site, from, to)
	groups, levels := sitefile.Groups(site), calibrationsOf(src)
	q, err := newQuestion(src, site, groups, now, raw)
	if err != nil {
		return computed{}, err
	}
	for i := range site.Machines {
		m := &site.Machines[i]
		if machine != "" && m.Name != machine {
			continue
		}
		sp := machineSpec(site, groups, m, levels[m.Name])
		sp.wantMinutes = machine == "" && len(site.Systems) > 0 // for the systems' balance of air
		s, err := q.machineSheet(m, sp, from, to, splits, get)
		if err != nil {
			return computed{}, err
		}
		rep.Notes = append(rep.Notes, s.g.notes()...)
		rep.machines[m.Name] = s
		rep.Machines = append(rep.Machines, MachineFigures{Machine: m.Name, Figures: s.list(), Tables: s.tables, Findings: s.findings(), Remarks: s.remarks(m)})
	}
	for i := range site.Systems {
		if machine != "" {
			break
		}
		sys := &site.Systems[i]
		sp := systemSpec(site, groups, sys, levels)
		sp.onShift, sp.wantMinutes = onShift(site), true
		g, err := get(src, sp, from, to, splits)
		if err != nil {
			return computed{}, err
		}
		rep.Notes = append(rep.Notes, g.notes()...)
		s := newSheet(g, q)
		if s.system(sys, rep.machines); s.err != nil {
			return computed{}, s.err
		}
		rep.systems[sys.Name] = s
		rep.Systems = append(rep.Systems, SystemFigures{System: sys.Name, Figures: s.list(), Tables: s.tables, Findings: s.findings()})
	}
	rep.instruments(site, from, to, now)
	return rep, nil
}

// machineSheet gathers a machine's window and computes its figures. Minutes, of
// which a year has half a million, are gathered where sp wants them or the machine
// has a flow meter of its own.
func (q *question) machineSheet(m *sitefile.Machine, sp *spec, from, to int64, splits []int64, get gatherer) (*sheet, error) {
	sp.fine = q.site.Tariff.FineDemand()
	sp.wantEdges = true
	sp.onShift, sp.wantMinutes = onShift(q.site), sp.wantMinutes || sp.flow >= 0
	g, err := get(q.src, sp, from, to, splits)
	if err != nil {
		return nil, err
	}
	s := newSheet(g, q)
	s.machine(m)
	return s, s.err
}

func stamp(ms int64) string { return time.UnixMilli(ms).UTC().Format("2006-01-02T15:04:05.000Z07:00") }

// machine computes the figures of one machine.
func (s *sheet) machine(m *sitefile.Machine) {
	s.observed()
	if s.g.total.observedMS() == 0 {
		for _, name := range figureNames() {
			if _, ok := s.figures[name]; !ok && !systemOnly(name) {
				s.absent(nothingSeen, name)
			}
		}
		s.energy.absent, s.air.absent, s.full.absent = nothingSeen, nothingSeen, nothingSeen
		return
	}
	s.times(m)
	s.startFigures(m)
	s.cycles()
	s.draw, s.drawAbsent = s.newDrawModel(m)
	s.powers()
	s.overNameplate(m)
	s.blowDown()
	s.energies(m)
	s.stateTable()
	s.unloadTable()
	s.storage = s.findStorage(m)
	s.delayFigure()
	s.airFigures(m)
	s.flowPeak()
	s.pressures(nil)
	s.band(m)
	s.pressureDrops(m)
	s.unbalance(m)
	s.heat(m)
	w := s.wet()
	s.water(&w)
	s.condensate(&w)
}
