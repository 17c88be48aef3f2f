package report

import (
	"slices"
	"time"

	"loadscribe/agent/quantity"
	"loadscribe/agent/sitefile"
)

// Limits of this file. Common practice, no source.
const (
	rareQuarters = 8    // two hours in a week
	abovePart    = 1.15 // of the next
)

func tariffRule() Rule {
	return Rule{
		Name: "dear-hours", About: "A few quarter hours far above all others set the demand charge.",
		Limit:   "demand is charged by windows of 15 minutes, and the highest quarter hour of a whole week and more is 15 % above the ninth highest",
		Basis:   "common practice, no source",
		Matters: mattersAir, Caution: "A machine that is held back or started by a clock or by another starts without warning.", Fires: (*builder).findDearHours,
	}
}

func (b *builder) findDearHours() []Finding {
	if len(b.data.Site.Tariff.Demand) == 0 || b.data.ToMS-b.data.FromMS < 7*86_400_000 {
		return nil
	}
	return b.eachSystem(func(i int, s *sitefile.System) *Finding {
		quarters := b.quarters(s)
		if len(quarters) <= rareQuarters || quarters[0].kWh < abovePart*quarters[rareQuarters].kWh {
			return nil
		}
		t, at := b.tableOfSystem(i, "demand_by_month")
		if t == nil || len(t.Rows) == 0 {
			return nil
		}
		f := &Finding{Title: "A few quarter hours set the demand charge", Evidence: b.lines(b.systemFigures(i), "Highest demand of electricity", "peak_demand", "Demand charge of the window", "demand_cost")}
		f.Evidence = append(f.Evidence, say("It fell in the quarter hour of "+b.when(quarters[0].start)+"; the ninth highest was "+b.shown(quarters[rareQuarters].kWh*4000, quantity.Power)))
		f.Evidence = append(f.Evidence, append(say("Price of a kW in the billing month: "), b.value(t, at, 0, 3)...))
		f.Advice = say("See what happened in that quarter hour: a second machine that starts with the shift, an empty plant that is filled, a test. Start machines one after the other, fill the plant before the dear hours, let the second machine come in later. What it brings shows on the bill only where the whole works' peak falls at the same time.")
		return f
	})
}

// quarter is what a system's machines drew in one.
type quarter struct {
	start string
	kWh   float64
}

// quarters are those of which all was observed, the highest first.
func (b *builder) quarters(s *sitefile.System) []quarter {
	sum := map[string]*quarter{}
	for _, m := range s.Machines {
		for k := range b.data.Intervals[m] {
			v := &b.data.Intervals[m][k]
			if v.EnergyKWh == nil || v.ObservedS < 0.99*900 || v.ObservedS > 1.01*900 { // twice, where a clock was set back
				continue
			}
			if sum[v.Start] == nil {
				sum[v.Start] = &quarter{start: v.Start}
			}
			sum[v.Start].kWh += *v.EnergyKWh
		}
	}
	all := make([]quarter, 0, len(sum))
	for _, q := range sum {
		all = append(all, *q)
	}
	slices.SortFunc(all, func(x, y quarter) int {
		switch {
		case x.kWh != y.kWh && x.kWh > y.kWh:
			return -1
		case x.kWh != y.kWh:
			return 1
		}
		return compareTimes(x.start, y.start)
	})
	return all
}

func compareTimes(a, b string) int {
	x, _ := time.Parse(time.RFC3339Nano, a)
	y, _ := time.Parse(time.RFC3339Nano, b)
	return x.Compare(y)
}
