package analysis

import (
	"sort"

	"loadscribe/agent/gum"
)

// sumEnergy adds the machines' energies. What shares a cause of error, one
// meter or one assumption, adds up in the uncertainty; the rest in squares.
func sumEnergy(machines []*sheet) energyResult {
	if len(machines) == 0 {
		return energyResult{absent: "the system has no machine"}
	}
	total := energyResult{hasUnloaded: true}
	var all, fine [][]cellEnergy
	apart := false
	for i, m := range machines {
		e := &m.energy
		if e.absent != "" {
			return energyResult{absent: "not known for every machine: " + m.g.sp.name + ": " + e.absent}
		}
		total.total = total.total.Plus(e.total)
		total.running.V += e.running.V
		total.seen.V += e.seen.V
		total.atLeast = total.atLeast || e.atLeast
		total.hasUnloaded = total.hasUnloaded && e.hasUnloaded
		total.inputs = append(total.inputs, e.inputs...)
		total.bridged = append(total.bridged, e.bridged...)
		apart = apart || e.demand != nil
		all, fine = append(all, e.cells), append(fine, e.fine())
		if i == 0 {
			total.method = "sum of the machines; first of them: " + e.method
		}
	}
	if total.cell = gum.Exact(1); total.total.V != 0 {
		total.cell = gum.Linear(1, gum.Term{C: 1 / total.total.V, X: total.total})
	}
	total.fineCell = total.cell
	total.running, total.seen = total.cell.Scaled(total.running.V), total.cell.Scaled(total.seen.V)
	total.cells = addCells(all)
	if apart {
		total.demand = addCells(fine)
	}
	return total
}

// addCells adds cells that begin together. One in which a machine has no cell
// counts as not observed.
func addCells(parts [][]cellEnergy) []cellEnergy {
	type acc struct {
		cellEnergy
		n int
	}
	byFrom := map[int64]*acc{}
	for _, cells := range parts {
		for i := range cells {
			c := &cells[i]
			a := byFrom[c.from]
			if a == nil {
				a = &acc{cellEnergy: *c, n: 1}
				if c.slots != nil {
					slots := *c.slots
					a.slots = &slots
				}
				byFrom[c.from] = a
				continue
			}
			a.joules += c.joules
			a.running += c.running
			a.unloaded += c.unloaded
			a.ms = min(a.ms, c.ms)
			a.n++
			if c.slots == nil || a.slots == nil { // not asked for
				a.slots = nil
				continue
			}
			for k := range c.slots {
				s := &a.slots[k]
				s.joules += c.slots[k].joules
				s.unloaded += c.slots[k].unloaded
				s.ms = min(s.ms, c.slots[k].ms)
			}
		}
	}
	all := make([]cellEnergy, 0, len(byFrom))
	for _, a := range byFrom {
		if a.n < len(parts) {
			a.ms = 0
			if a.slots != nil {
				for k := range a.slots {
					a.slots[k].ms = 0
				}
			}
		}
		all = append(all, a.cellEnergy)
	}
	sort.Slice(all, func(i, j int) bool { return all[i].from < all[j].from })
	return all
}

// sumUnloaded adds the machines' unloaded energy, or says why it cannot.
func (s *sheet) sumUnloaded(machines []*sheet) *Figure {
	const name = "energy_unloaded"
	var total gum.Value
	var inputs []string
	for _, m := range machines {
		f := m.figures[name]
		if f.Value == nil {
			return &Figure{Name: name, Absent: "not known for every machine: " + m.g.sp.name + ": " + f.Absent}
		}
		total = total.Plus(m.unloaded.Scaled(1 / joulesPerKWh))
		inputs = append(inputs, f.Inputs...)
	}
	if len(machines) == 0 {
		return &Figure{Name: name, Absent: "the system has no machine"}
	}
	f := s.putValue(name, "kWh", total, "sum of the machines", inputs)
	f.AtLeast = s.partial
	return f
}
