package report

import (
	"loadscribe/agent/sitefile"
)

// unsound reports a system whose week is no measure of another setting: a machine of it
// had a fault of its own, or its meter is not to be relied on.
func (b *builder) unsound(s *sitefile.System) bool {
	for _, m := range s.Machines {
		if b.found("blow-down", m) || b.found("inlet-valve", m) || b.found("wiring", m) {
			return true
		}
	}
	return false
}

func (b *builder) findStorage() []Finding {
	return b.eachSystem(func(i int, s *sitefile.System) *Finding {
		r, effect := b.replayed(s.Name, "", "volume", "volume_add")
		if surely(r) < storageShare || b.unsound(s) {
			return nil
		}
		for _, m := range s.Machines {
			if b.found("short-cycling", m) {
				return nil
			}
		}
		f := &Finding{Title: "More storage would save", Evidence: b.lines(b.systemFigures(i), "Storage", "effective_volume"), Effect: effect}
		f.Evidence = append(f.Evidence, b.loadLines(s)...)
		f.Advice = say("See whether the storage there is works: a valve that is shut, a receiver full of water. Then have a receiver of the size below quoted, beside the one there is. Each load fills the sump and each unload blows it down again; a larger receiver makes both rarer, and lets the machine stand for longer.")
		return f
	})
}

// loadLines are how the machines of a system load.
func (b *builder) loadLines(s *sitefile.System) (all []Text) {
	for _, name := range s.Machines {
		i := b.machine(name)
		if i < 0 {
			continue
		}
		for _, at := range [][2]string{{"Mean time from load to load of ", "mean_load_cycle"}, {"Loaded part of the running time of ", "duty_cycle"}, {"Mean load of ", "mean_load_fraction"}} {
			if r := b.ofMachine(i, at[1]); r.has() {
				all = append(all, b.line(at[0]+name, r))
			}
		}
	}
	return append(all, b.yearLines("system "+s.Name)...)
}

// yearLines are what the present way costs in a year.
func (b *builder) yearLines(subject string) (all []Text) {
	return b.lines(func(name string) ref { return b.ofYear(subject, name) },
		"Running without load, in a year", "energy_unloaded_year", "which costs", "unloaded_cost_year", "All electricity of a year costs", "cost_year")
}

func (b *builder) findVariableSpeed() []Finding {
	return b.eachSystem(func(i int, s *sitefile.System) *Finding {
		r, effect := b.replayed(s.Name, "", "replace")
		if surely(r) < machineShare || b.unsound(s) || b.found("oversized", s.Name) {
			return nil
		}
		f := &Finding{Title: "A machine that follows the demand would take less", Evidence: b.lines(b.systemFigures(i), "Mean demand", "air_demand_mean", "Highest demand", "air_demand_peak"), Effect: effect}
		f.Evidence = append(f.Evidence, b.loadLines(s)...)
		f.Advice = say("See to leaks, running hours and storage before it: they cost less, and each makes this saving smaller. Then hold what is left against a quotation. It seldom pays for replacing a sound machine by itself; when one is due for an overhaul or a successor, it should follow the demand. Replay it with the data sheet of the machine that is offered.")
		return f
	})
}
