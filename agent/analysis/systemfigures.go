package analysis

import (
	"sort"

	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// system computes the figures of one system: pressure at its tap, energy and
// air of its machines.
func (s *sheet) system(sys *sitefile.System, sheets map[string]*sheet) {
	var machines []*sheet
	for _, name := range sys.Machines {
		if m := sheets[name]; m != nil {
			machines = append(machines, m)
		}
	}
	if s.g.sp.master >= 0 {
		s.observed()
		s.pressures()
		s.belowMinimum(sys)
	} else {
		s.absent("the system has no tap", "observed_time", "unobserved_time")
		s.pressures()
		s.belowMinimum(sys)
		s.borrowCoverage(machines)
	}
	s.sumMachines(machines)
}

// borrowCoverage takes the least observed machine's coverage for a system that
// has no channel of its own.
func (s *sheet) borrowCoverage(machines []*sheet) {
	s.coverage, s.partial = 0, true
	for i, m := range machines {
		if i == 0 || m.coverage < s.coverage {
			s.coverage = m.coverage
		}
	}
}

// sumMachines sets energy, money and air. Each figure has the coverage of the
// least observed machine.
func (s *sheet) sumMachines(machines []*sheet) {
	own, partial := s.coverage, s.partial
	s.borrowCoverage(machines)
	s.partial = false
	for _, m := range machines {
		s.partial = s.partial || m.partial
	}
	energy := sumEnergy(machines)
	unloaded := s.sumUnloaded(machines)
	if energy.absent != "" {
		s.absent(energy.absent, "energy", "energy_off_shift", "energy_cost", "demand_cost", "emissions", "peak_demand")
	} else {
		s.energySums(&energy)
	}
	if unloaded != nil {
		s.figures["energy_unloaded"] = *unloaded
	}
	var parts []airResult
	for _, m := range machines {
		parts = append(parts, m.air)
	}
	air := addAir(parts)
	if metered, ok := s.meteredAir(s.g.sp.find(scan.Flow)); ok {
		air = metered
	}
	s.systemAir(&air, &energy, machines)
	s.coverage, s.partial = own, partial
}

// systemAir sets the air figures over the time in which the machines were
// observed.
func (s *sheet) systemAir(air *airResult, energy *energyResult, machines []*sheet) {
	if s.g.total.observedMS() == 0 && len(machines) > 0 {
		// No tap: the mean flow is over the first machine's observed time.
		keep := s.g
		borrowed := *s.g
		borrowed.total = machines[0].g.total
		s.g = &borrowed
		s.airSums(air, energy)
		s.g = keep
		return
	}
	s.airSums(air, energy)
}

// sumEnergy adds the machines' energies, taken as read by independent meters.
func sumEnergy(machines []*sheet) energyResult {
	if len(machines) == 0 {
		return energyResult{absent: "the system has no machine"}
	}
	var total energyResult
	type acc struct {
		cellEnergy
		n int
	}
	byFrom := map[int64]*acc{}
	for i, m := range machines {
		e := &m.energy
		if e.absent != "" {
			return energyResult{absent: "not known for every machine: " + m.g.sp.name + ": " + e.absent}
		}
		total.total = total.total.plus(e.total)
		total.running = total.running.plus(e.running)
		total.seen = total.seen.plus(e.seen)
		total.atLeast = total.atLeast || e.atLeast
		total.inputs = append(total.inputs, e.inputs...)
		if i == 0 {
			total.method = "sum of the machines; first of them: " + e.method
		}
		for _, c := range e.cells {
			a := byFrom[c.from]
			if a == nil {
				a = &acc{cellEnergy: cellEnergy{from: c.from, to: c.to, ms: c.ms}}
				byFrom[c.from] = a
			}
			a.joules += c.joules
			a.ms = min(a.ms, c.ms)
			a.n++
		}
	}
	if total.seen.v != 0 {
		total.cellU = total.seen.u / total.seen.v
	}
	for _, a := range byFrom {
		if a.n < len(machines) {
			a.ms = 0 // a machine was not observed in this cell
		}
		total.cells = append(total.cells, a.cellEnergy)
	}
	sort.Slice(total.cells, func(i, j int) bool { return total.cells[i].from < total.cells[j].from })
	return total
}

// sumUnloaded adds the machines' unloaded energy, or says why it cannot.
func (s *sheet) sumUnloaded(machines []*sheet) *Figure {
	const name = "energy_unloaded"
	total := estimate{}
	var inputs []string
	for _, m := range machines {
		f := m.figures[name]
		if f.Value == nil {
			return &Figure{Name: name, Absent: "not known for every machine: " + m.g.sp.name + ": " + f.Absent}
		}
		total = total.plus(estimate{*f.Value, *f.Uncertainty / coverageFactor})
		inputs = append(inputs, f.Inputs...)
	}
	if len(machines) == 0 {
		return &Figure{Name: name, Absent: "the system has no machine"}
	}
	f := s.put(name, "kWh", total, "sum of the machines", inputs)
	f.AtLeast = s.partial
	return f
}
