package report

import (
	"loadscribe/agent/sitefile"
)

// Limits of this file. Common practice, no source, where nothing else is said.
const (
	mostUnloadedShare = 0.30 // of a machine's energy
)

func loadRules() []Rule {
	return []Rule{
		{
			Name: "starts", About: "The motor starts more often than it may, or as often as it may.",
			Limit:   "starts_per_hour_max reaches its limit",
			Basis:   "starts_per_hour of the motor in the site file, else NEMA MG 10 table 2-3 (read)",
			Matters: mattersMachine, Caution: "A motor that stands starts by itself: lock it out before anybody works on it. The maker's instructions decide how often it may start.",
			Fires: (*builder).starts,
		},
		{
			Name: "unloaded-running", About: "Much of the electricity goes into running without load.",
			Limit:   "energy_unloaded is more than 30 % of energy, and no failed blow-down explains it",
			Basis:   "common practice, no source",
			Matters: mattersAir, Caution: "A motor stands only so many starts an hour: look at its plate before a timer is made shorter. A machine that stops by itself starts again without warning.",
			Fires: (*builder).unloadedRunning,
		},
	}
}

func (b *builder) starts() []Finding {
	return b.eachMachine(func(i int, m *sitefile.Machine) *Finding {
		most := b.ofMachine(i, "starts_per_hour_max")
		if !most.has() || most.Limit == nil || *most.Value < *most.Limit {
			return nil
		}
		f := &Finding{Title: "The motor of " + m.Name + " starts as often as it may"}
		if *most.Value > *most.Limit {
			f.Title = "The motor of " + m.Name + " starts more often than it may"
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

func (b *builder) unloadedRunning() []Finding {
	return b.eachMachine(func(i int, m *sitefile.Machine) *Finding {
		energy, unloaded := b.ofMachine(i, "energy"), b.ofMachine(i, "energy_unloaded")
		if shareOf(unloaded, energy) <= mostUnloadedShare || b.found("blow-down", m.Name) {
			return nil
		}
		f := &Finding{Title: m.Name + " runs much without load", Evidence: b.lines(b.machineFigures(i),
			"Energy without load", "energy_unloaded", "of all its energy", "energy", "Time without load", "unloaded_time", "Mean power without load", "power_unloaded_mean", "Starts in the window", "starts")}
		starts := b.ofMachine(i, "starts_per_hour_max")
		switch {
		case starts.has() && starts.Limit != nil && *starts.Value >= *starts.Limit:
			f.Advice = say("The motor already starts as often as it may, so a shorter no-load stop is no way. First take away what wakes it: leaks, then too small a receiver. If the demand stays that low for hours, a smaller or a variable-speed machine for those hours is worth a quotation.")
		default:
			f.Advice = say("First see whether anybody needs air in the hours in which it idles; if not, stop it by its clock. Then let it stop sooner after it has unloaded, as far as its motor's starts allow, and look at starts an hour for a day. More storage makes the rests longer. If the demand is low most of the time, weigh a smaller or a variable-speed machine.")
		}
		f.Effect = b.byReplay(b.systemOf(m.Name), m.Name, "no_load_stop", "schedule")
		return f
	})
}
