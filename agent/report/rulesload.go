package report

import (
	"math"

	"loadscribe/agent/analysis"
	"loadscribe/agent/display"
	"loadscribe/agent/sitefile"
)

// Limits of this file. Common practice, no source, where nothing else is said.
const (
	mostUnloadedShare = 0.30 // of a machine's energy
	smallPeakShare    = 0.60 // of the least machine's flow
	bothIdleShare     = 0.25 // of the time in which two run
	leastBothS        = 3600
	huntingLoads      = 20 // a running hour, of a machine beside one that follows the demand
	// Of the energy that a change surely saves: a setting or a receiver, and a machine.
	storageShare = 0.02
	machineShare = 0.10
)

const (
	anotherMachine = "Another machine needs its own wiring, protection, ventilation and piping, and a drive its own rules for motor and line: work for licensed people."
	pressureVessel = "A receiver is a pressure vessel: certificate, safety valve, drain, inspection, and licensed people to fit it."
)

func loadRules() []Rule {
	return []Rule{
		{
			Name: "starts", About: "The motor starts more often than it may, or as often as it may.",
			Limit:   "starts_per_hour_max reaches its limit",
			Basis:   "starts_per_hour of the motor in the site file, else NEMA MG 10 table 2-3 (read)",
			Matters: mattersMachine, Caution: "A motor that stands starts by itself: lock it out before anybody works on it. The maker's instructions decide how often it may start.",
			Fires: (*builder).findStarts,
		},
		{
			Name: "oversized", About: "The machine is much larger than the highest demand.",
			Limit:   "the upper end of air_demand_peak is below 60 % of the smallest machine's full_load_flow",
			Basis:   "common practice, no source",
			Matters: mattersAir, Caution: anotherMachine, Fires: (*builder).findOversized,
		},
		{
			Name: "control-gap", About: "Several machines work against each other.",
			Limit:   "for a quarter of the time in which two run, and an hour, both run without load; or a machine beside one of variable speed loads more than 20 times in a running hour",
			Basis:   "common practice, no source",
			Matters: mattersAir, Caution: "A machine that another starts moves without warning: signs and lock-out must say so.", Fires: (*builder).findControlGap,
		},
		{
			Name: "unloaded-running", About: "Much of the electricity goes into running without load.",
			Limit:   "energy_unloaded is more than 30 % of energy and at least 5 % of the system's, and no failed blow-down explains it",
			Basis:   "common practice, no source",
			Matters: mattersAir, Caution: "A motor stands only so many starts an hour: look at its plate before a timer is made shorter. A machine that stops by itself starts again without warning.",
			Fires: (*builder).findUnloadedRunning,
		},
		{
			Name: "storage", About: "More storage would save.",
			Limit:   "a replay with more storage surely saves 2 % of the energy (the lower end of its interval), and neither short-cycling nor a failed blow-down says so already",
			Basis:   "common practice, no source; 3 to 5 gal of storage for each cfm suit load and unload (DOE sourcebook, read)",
			Matters: mattersAir, Caution: pressureVessel, Fires: (*builder).findStorage,
		},
		{
			Name: "variable-speed", About: "A machine that follows the demand would take less.",
			Limit:   "a replay with another machine surely saves 10 % of the energy (the lower end of its interval), and neither oversized nor a failed blow-down says so already",
			Basis:   "common practice, no source",
			Matters: mattersAir, Caution: anotherMachine, Fires: (*builder).findVariableSpeed,
		},
	}
}

func (b *builder) findStarts() []Finding {
	return b.eachMachine(func(i int, m *sitefile.Machine) *Finding {
		most := b.ofMachine(i, "starts_per_hour_max")
		if !most.has() || most.Limit == nil || *most.Value < *most.Limit {
			return nil
		}
		f := &Finding{Title: "The motor of " + m.Name + " starts as often as it may"}
		if *most.Value > *most.Limit {
			f.Title, f.Broken = "The motor of "+m.Name+" starts more often than it may", true
		}
		f.Evidence = append(f.Evidence, b.limit("Most starts in any hour", most))
		f.Evidence = append(f.Evidence, b.lines(b.machineFigures(i), "Starts in the window", "starts", "Mean", "starts_per_hour_mean")...)
		if rest := b.ofMachine(i, "shortest_rest"); rest.has() {
			f.Evidence = append(f.Evidence, b.limit("Shortest rest", rest))
		}
		f.Advice = say("Find what ends the rests: leaks and a small receiver wake a machine that could stand. Until that is mended, let it run unloaded for longer before it stops, and do not make that time shorter. If it starts so often by day, its band is too narrow, the storage too small, or another machine should carry the load.")
		return f
	})
}

func (b *builder) findUnloadedRunning() []Finding {
	return b.eachMachine(func(i int, m *sitefile.Machine) *Finding {
		energy, unloaded := b.ofMachine(i, "energy"), b.ofMachine(i, "energy_unloaded")
		all := energy // of what the machine feeds with others
		if at := b.system(b.systemOf(m.Name)); at >= 0 {
			all = b.ofSystem(at, "energy")
		}
		if shareOf(unloaded, energy) <= mostUnloadedShare || shareOf(unloaded, all) < worthShare || b.found("blow-down", m.Name) {
			return nil
		}
		f := &Finding{Title: m.Name + " runs much without load", Evidence: b.lines(b.machineFigures(i),
			"Energy without load", "energy_unloaded", "of all its energy", "energy", "Mean power without load", "power_unloaded_mean", "Starts in the window", "starts")}
		f.Evidence = append(f.Evidence, b.yearLines("machine "+m.Name)...)
		starts := b.ofMachine(i, "starts_per_hour_max")
		switch {
		case starts.has() && starts.Limit != nil && *starts.Value >= *starts.Limit:
			f.Advice = say("Take away what wakes it: leaks first, then too small a receiver. The motor already starts as often as it may, so a shorter no-load stop is no way. If the demand stays that low for hours, a smaller or a variable-speed machine for those hours is worth a quotation.")
		default:
			f.Advice = say("See whether anybody needs air in the hours in which it idles; if not, stop it by its clock. Then let it stop sooner after it has unloaded, as far as its motor's starts allow, and look at starts an hour for a day. More storage makes the rests longer. If the demand is low most of the time, weigh a smaller or a variable-speed machine.")
		}
		if f.Effect = b.byReplay(b.systemOf(m.Name), m.Name, "no_load_stop"); f.Effect == nil && !b.played(b.systemOf(m.Name), m.Name, "no_load_stop") {
			f.Cost = costOf(b.ofYear("machine "+m.Name, "unloaded_cost_year"), b.ofYear("machine "+m.Name, "energy_unloaded_year"))
		}
		return f
	})
}

func (b *builder) findOversized() []Finding {
	return b.eachSystem(func(i int, s *sitefile.System) *Finding {
		peak := b.ofSystem(i, "air_demand_peak")
		least := math.Inf(1)
		var evidence []Text
		for _, name := range s.Machines {
			at := b.machine(name)
			if at < 0 {
				return nil
			}
			flow := b.ofMachine(at, "full_load_flow")
			if !flow.has() {
				return nil
			}
			least = min(least, *flow.Value)
			evidence = append(evidence, b.line("What "+name+" delivers at full load", flow))
		}
		if !(peak.high() < smallPeakShare*least) {
			return nil
		}
		f := &Finding{Title: "The machine is much larger than the demand", Evidence: append([]Text{b.line("Highest demand", peak)}, evidence...)}
		f.Evidence = append(f.Evidence, b.lines(b.systemFigures(i), "Mean demand", "air_demand_mean", "Specific power", "specific_power")...)
		f.Advice = say("Be sure that the window holds the busiest week of the year. Then have a machine quoted that covers the highest demand with some room, of variable speed if the demand varies, and keep this one as a reserve. Until then more storage, a wider band and a shorter time without load make the best of it.")
		f.Effect = b.byReplay(s.Name, "", "replace")
		return f
	})
}

func (b *builder) findControlGap() []Finding {
	return b.eachSystem(func(i int, s *sitefile.System) *Finding {
		if len(s.Machines) < 2 {
			return nil
		}
		f := &Finding{Title: "Machines work against each other"}
		trims := false
		for _, name := range s.Machines {
			m, ok := b.data.Site.MachineByName(name)
			trims = trims || ok && m.Control == sitefile.VariableSpeed
		}
		for k, name := range s.Machines {
			at := b.machine(name)
			if at < 0 {
				continue
			}
			if loads := b.ofMachine(at, "load_cycles_per_hour"); trims && loads.low() > huntingLoads {
				f.Evidence = append(f.Evidence, b.line("Loads of "+name+" in a running hour, beside a machine that follows the demand", loads))
			}
			for _, other := range s.Machines[k+1:] {
				both, idle := idleTogether(b.data.Runs[name], b.data.Runs[other])
				if idle >= leastBothS && idle > bothIdleShare*both {
					f.Evidence = append(f.Evidence, say(name+" and "+other+" run without load at the same time for "+display.Duration(idle)+", of "+display.Duration(both)+" in which both run"))
				}
			}
		}
		if len(f.Evidence) == 0 {
			return nil
		}
		f.Evidence = append(f.Evidence, b.lines(b.systemFigures(i), "Energy without load, of all machines", "energy_unloaded", "of all energy", "energy")...)
		f.Advice = say("Let one machine follow the demand and the others be either fully loaded or off: set the bands one below the other, with the one that follows the demand in the middle of them, or let one controller lead all. The machine that trims should reach as far as the largest of the others delivers, or between them there is a demand that none can serve quietly.")
		f.Effect = b.byReplay(s.Name, "", "order", "first", "rotate_every", "band_step", "base", "trim", "no_load_stop", "cut_in", "cut_out")
		return f
	})
}

// idleTogether is how long two machines ran at the same time, and for how long of it both
// without load, s.
func idleTogether(a, b []analysis.Run) (both, idle float64) {
	for i, k := 0, 0; i < len(a) && k < len(b); {
		from, to := max(a[i].FromMS, b[k].FromMS), min(a[i].ToMS, b[k].ToMS)
		if s := float64(to-from) / 1000; s > 0 && a[i].State.Running() && b[k].State.Running() {
			both += s
			if a[i].State == analysis.Unloaded && b[k].State == analysis.Unloaded {
				idle += s
			}
		}
		if a[i].ToMS <= b[k].ToMS {
			i++
		} else {
			k++
		}
	}
	return both, idle
}
