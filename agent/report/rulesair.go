package report

import (
	"fmt"

	"loadscribe/agent/quantity"
	"loadscribe/agent/sitefile"
)

// Limits of this file. Common practice, no source, where none is named.
const (
	// A well kept system leaks 5 to 10 % of what its machines deliver (DOE compressed
	// air tip sheet 3).
	mostLeakShare  = 0.10
	mendedShare    = 0.5  // what a first round of mending finds
	leakSaving     = 0.01 // of the energy, surely
	mostPurgeShare = 0.20
	mostDrainShare = 0.02
	nightTimes     = 2 // the quiet demand
	leastNightRows = 3 // hours
)

const openNothing = "Nobody opens a fitting under pressure or feels for a leak with the hand: isolate, vent, see the gauge at zero; machines may start by themselves. Local codes and licensed people decide."

// airRules are about air that nobody needs.
func airRules() []Rule {
	return []Rule{
		{
			Name: "leaks", About: "Leaks take more of the air than in a well kept plant, or mending them surely saves.",
			Limit:   "the whole interval of leak_share lies above 10 % of the flow, or a replay with half of them mended surely saves 1 % of the energy (the lower end of its interval)",
			Basis:   "DOE compressed air tip sheet 3: 5 to 10 % of the output is a sensible target, 20 to 30 % is what unattended plants lose (read); the saving is common practice, no source",
			Matters: mattersAir, Caution: openNothing, Fires: (*builder).findLeaks,
		},
		{
			Name: "off-shift", About: "Machines run while nobody works.",
			Limit:   "energy_off_shift is 5 % of energy or more, and the site file names no night users",
			Basis:   "common practice, no source",
			Matters: mattersAir, Caution: "Shut and open isolating valves slowly, and only those whose effect is known: some feed brakes, clamps, fire systems or breathing air. A machine that a clock starts moves without warning.", Fires: (*builder).findOffShift,
		},
		{
			Name: "night-use", About: "Outside the shifts somebody takes much more air than leaks.",
			Limit:   "in three hours outside the shifts or more, each an hour away from them, the air was more than twice quiet_demand and its interval",
			Basis:   "common practice, no source",
			Matters: mattersAir, Fires: (*builder).findNightUse,
		},
		{
			Name: "purge", About: "A dryer's purge, or drains on timers, take much of the air.",
			Limit:   "by the site file a dryer purges more than 20 % of the air that users get while it does, or drains let off more than 2 % of the mean flow",
			Basis:   "common practice, no source",
			Matters: mattersAir, Caution: openNothing, Fires: (*builder).findPurge,
		},
	}
}

func (b *builder) findLeaks() []Finding {
	return b.eachSystem(func(i int, s *sitefile.System) *Finding {
		share := b.ofSystem(i, "leak_share")
		large := share.low() > mostLeakShare
		r, effect := b.replayed(s.Name, "", "leaks_mended")
		if !large && (surely(r) < leakSaving || b.unsound(s)) {
			return nil
		}
		title := "Leaks take a large part of the air"
		if !large {
			title = "Leaks are few, and mending some of them still saves"
		}
		f := &Finding{Title: title, Evidence: b.lines(b.systemFigures(i),
			"What leaks", "leak_flow", "Share of the mean flow", "leak_share")}
		if cost := b.ofSystem(i, "leak_cost"); cost.has() {
			line := append(say("What it costs in a year: "), b.bounded(cost)...)
			if effect != nil && cost.AtLeastWhy != "" {
				line = append(line, Run{Text: ". The replay below counts these too."})
			}
			f.Evidence = append(f.Evidence, line)
		}
		f.Advice = say("Walk through the shop in the quietest hour, from the receiver outwards: couplings, hoses, filter bowls, drains, regulators, blow guns. An ultrasonic detector finds what the ear does not. Mark every leak, mend the largest first, and look at the same window again after a week. Then shut off by a valve at night what may be shut off.")
		if cost := b.ofSystem(i, "leak_cost"); effect != nil && effect.Money != nil && cost.has() && cost.AtLeast && effect.Money.Value > mendedShare**cost.Value {
			f.Evidence = append(f.Evidence, say("That cost is a lower bound: the replay below also counts what machines idle for the leaks and what demand charges fall by, and takes all weeks of the year for like those replayed."))
		}
		if f.Effect = effect; effect == nil {
			f.Effect = byFigure(b.ofSystem(i, "leak_cost"), mendedShare, "half of the leaks mended",
				"half of the leaks mended (common practice, no source), and the year of leak_cost: workdays by the shifts and weeks_per_year, other days, each at its pressure and price", "as half of leak_cost")
		}
		return f
	})
}

func (b *builder) findOffShift() []Finding {
	return b.eachSystem(func(i int, s *sitefile.System) *Finding {
		energy, off := b.ofSystem(i, "energy"), b.ofSystem(i, "energy_off_shift")
		if shareOf(off, energy) < worthShare || len(s.NightUsers) > 0 {
			return nil
		}
		f := &Finding{Title: "Machines run while nobody works", Evidence: b.lines(b.systemFigures(i),
			"Energy outside the shifts", "energy_off_shift", "of all energy", "energy", "What flows then", "quiet_demand")}
		if t, at := b.tableOfSystem(i, "savings_at_the_margin"); t != nil {
			for row := range t.Rows {
				if t.Rows[row].Name == "use off shift" {
					f.Evidence = append(f.Evidence, append(say("Its cost in the window, at the prices of those hours: "), b.value(t, at, row, 1)...))
				}
			}
		}
		f.Advice = say("Ask who needs air then: a dryer of its own, a fire system, a machine that must stay clamped. If nobody does, let a clock stop the machines, and shut the plant off behind the receiver, so that it is full when work begins. If somebody does, name them in night_users, feed them from a small machine of their own, and shut off the rest. Leaks are what runs a machine at night: mending them comes first.")
		f.Effect = b.byReplay(s.Name, "", "schedule")
		return f
	})
}

func (b *builder) findNightUse() []Finding {
	return b.eachSystem(func(i int, s *sitefile.System) *Finding {
		quiet := b.ofSystem(i, "quiet_demand")
		rows := b.data.Hours["system "+s.Name].Rows
		if !quiet.has() || len(s.NightUsers) > 0 {
			return nil
		}
		var told []Text
		for k := 1; k+1 < len(rows); k++ {
			h := &rows[k]
			if h.AirM3 == nil || h.Shift || rows[k-1].Shift || rows[k+1].Shift || *h.AirM3/60 <= nightTimes*quiet.high() {
				continue
			}
			told = append(told, say(fmt.Sprintf("%s: %s in the mean of the hour", b.whenMS(h.StartMS), b.shown(*h.AirM3/3600, quantity.Flow))))
		}
		if len(told) < leastNightRows {
			return nil
		}
		if len(told) > 6 {
			told = append(told[:6:6], say(fmt.Sprintf("and in %d more hours", len(told)-6)))
		}
		return &Finding{Title: "Somebody takes air outside the shifts", Evidence: append([]Text{b.line("What flows when nobody works", quiet)}, told...),
			Advice: say("Ask who works in these hours, or what opens by itself: a blow-off, a drain, a tank that is kept under air, a cleaning crew. If it belongs there, name it in night_users or put the hours into the shifts, so that leaks are told apart from it.")}
	})
}

func (b *builder) findPurge() []Finding {
	return b.eachSystem(func(i int, s *sitefile.System) *Finding {
		flow := b.ofSystem(i, "flow_mean")
		if !flow.has() || *flow.Value <= 0 {
			return nil
		}
		f := &Finding{Title: "Drying and draining take much of the air"}
		mean := *flow.Value / 60 // m³/s
		rated, running := b.ratedOf(s)
		for k := range s.Parts {
			p := &s.Parts[k]
			users := mean
			if p.PurgeWhile == sitefile.PurgeRunning && running > 0 {
				users = mean / running // what they get while machines run
			}
			if p.Kind == "dryer" && p.PurgeShare*rated > mostPurgeShare*users {
				f.Evidence = append(f.Evidence, say(fmt.Sprintf("%s purges %s while it does, by the site file; what users get in the mean meanwhile is about %s", p.Name, b.shown(p.PurgeShare*rated, quantity.Flow), b.shown(users, quantity.Flow))))
			}
		}
		var drained float64
		for k := range s.Drains {
			drained += s.Drains[k].FlowM3S * s.Drains[k].Open.Seconds() / s.Drains[k].Every.Seconds()
		}
		if drained > mostDrainShare*mean {
			f.Evidence = append(f.Evidence, say("Drains on timers let off "+b.shown(drained, quantity.Flow)+" in the mean, by the site file"))
		}
		if len(f.Evidence) == 0 {
			return nil
		}
		f.Evidence = append(f.Evidence, b.line("Mean flow of the system", flow))
		f.Advice = say("Let the dryer purge by the dew point or by the load in place of the clock, and shut its purge when no machine runs; hold the dew point against what users need first. Put drains on timers to drains that open when there is water, and until then shorten how long they open.")
		return f
	})
}

// ratedOf is the rated flow of a system's machines, m³/s, and the share of the time in
// which the one that runs most runs; 0: not known.
func (b *builder) ratedOf(s *sitefile.System) (ratedM3S, running float64) {
	for _, name := range s.Machines {
		m, ok := b.data.Site.MachineByName(name)
		i := b.machine(name)
		if !ok || i < 0 {
			continue
		}
		ratedM3S += m.RatedFlowM3S
		ran, seen := b.ofMachine(i, "running_time"), b.ofMachine(i, "observed_time")
		running = max(running, shareOf(ran, seen))
	}
	return ratedM3S, running
}
