package analysis

import (
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
		s.pressures(sys)
	} else {
		s.absent("the system has no tap", "observed_time", "unobserved_time")
		s.pressures(sys)
		s.borrowCoverage(machines)
	}
	s.sumMachines(sys, machines)
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

// sumMachines sets energy, money and air.
func (s *sheet) sumMachines(sys *sitefile.System, machines []*sheet) {
	s.addMachines(machines)
	s.storageFigures(sys, machines)
	s.flowPeak()
	s.airDemand(sys, machines)
	s.leaks(sys, s.balance)
}

// addMachines sets what is a sum of the machines'. Each figure has the coverage
// of the least observed machine.
func (s *sheet) addMachines(machines []*sheet) {
	own, partial := s.coverage, s.partial
	s.borrowCoverage(machines)
	s.partial = false
	for _, m := range machines {
		s.partial = s.partial || m.partial
	}
	s.machines = machines
	energy := sumEnergy(machines)
	unloaded := s.sumUnloaded(machines)
	if energy.absent != "" {
		s.absent(energy.absent, energyNames()...)
	} else {
		s.energySums(&energy)
		s.shareOfPlant()
	}
	if unloaded != nil {
		s.figures["energy_unloaded"] = *unloaded
	}
	s.inlet = airAtInlet(append([]*sheet{s}, machines...)...)
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
