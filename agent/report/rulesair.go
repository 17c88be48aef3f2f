package report

import (
	"loadscribe/agent/sitefile"
)

// A well kept system leaks 5 to 10 % of what its machines deliver (DOE compressed air
// tip sheet 3).
const mostLeakShare = 0.10

// mendedShare is what a first round of mending finds (common practice, no source).
const mendedShare = 0.5

const openNothing = "Nobody opens a fitting under pressure or feels for a leak with the hand: isolate, vent, see the gauge at zero; machines may start by themselves. Local codes and licensed people decide."

func airRules() []Rule {
	return []Rule{
		{
			Name: "leaks", About: "Leaks take more of the air than in a well kept plant.",
			Limit:   "the whole interval of leak_share lies above 10 % of the flow",
			Basis:   "DOE compressed air tip sheet 3: 5 to 10 % of the output is a sensible target, 20 to 30 % is what unattended plants lose (read)",
			Matters: mattersAir, Caution: openNothing, Fires: (*builder).leaks,
		},
	}
}

func (b *builder) leaks() []Finding {
	return b.eachSystem(func(i int, s *sitefile.System) *Finding {
		share := b.ofSystem(i, "leak_share")
		if !(share.low() > mostLeakShare) {
			return nil
		}
		f := &Finding{Title: "Leaks take a large part of the air", Evidence: b.lines(b.systemFigures(i),
			"What leaks", "leak_flow", "Share of the mean flow", "leak_share", "What it costs in a year", "leak_cost")}
		f.Advice = say("Walk through the shop in the quietest hour, from the receiver outwards: couplings, hoses, filter bowls, drains, regulators, blow guns. An ultrasonic detector finds what the ear does not. Mark every leak, mend the largest first, and look at the same window again after a week. Then shut off by a valve at night what may be shut off.")
		if f.Effect = b.byReplay(s.Name, "", "leaks_mended"); f.Effect == nil {
			f.Effect = byFigure(b.ofSystem(i, "leak_cost"), mendedShare,
				"half of the leaks mended (common practice, no source), and the year of leak_cost: workdays by the shifts and weeks_per_year, other days, each at its pressure and price", "half of leak_cost")
		}
		return f
	})
}
