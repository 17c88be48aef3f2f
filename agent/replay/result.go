package replay

import (
	"fmt"
	"math"
	"slices"

	"loadscribe/agent/analysis"
	"loadscribe/agent/gum"
	"loadscribe/agent/quantity"
	"loadscribe/agent/sitefile"
)

// result is one alternative's.
func (e *evaluation) result(alt Alternative, p *plan, of *plays) Result {
	r := Result{Name: alt.Name, Set: append([]Setting{}, alt.Set...), Budget: []analysis.BudgetPart{}, Flags: FlagsOf(alt.Set), Changes: e.st.changesOf(p, alt.Set), Remarks: []string{}, Cautions: []string{}}
	if p.untold != "" {
		r.Absent = p.untold
		return r
	}
	if of.failed != "" {
		r.Absent = "these settings cannot be played: " + of.failed
		return r
	}
	r.Outcome = e.outcome(p, of)
	_, saved := e.energyOf(p, of)
	r.SavedKWh = amount(saved.Scaled(1 / kWh))
	r.SavedShare = amount(saved.Over(gum.Exact(e.energy.V)))
	r.Budget = budgetOf(saved)
	r.SavedCost, r.SavedKg, r.SavedYear = e.costs.money(e, of, saved, &r.Outcome)
	year, years := e.costs.yearly(e, of, saved.V, joules)
	r.SavedKWhYear = with(year/kWh, saved.U()*years/kWh)
	r.AssumesYear = e.assumesYear(e.costs)
	r.Remarks = append(append(r.Remarks, p.remarks...), e.remarksOf(p, of, saved)...)
	r.Cautions = append(r.Cautions, e.st.cautions(p)...)
	return r
}

// budgetOf lists what brings a hundredth of a variance or more, the rest as others.
func budgetOf(v gum.Value) []analysis.BudgetPart {
	parts := []analysis.BudgetPart{}
	rest := 0.0
	for _, s := range v.Shares() {
		if s.Of < 0.01 {
			rest += s.Of
			continue
		}
		parts = append(parts, analysis.BudgetPart{Input: s.Input, Share: s.Of})
	}
	if rest > 0 {
		parts = append(parts, analysis.BudgetPart{Input: "others", Share: rest})
	}
	return parts
}

// lowCoverage is the replayed share of a window below which that is said.
const lowCoverage = 0.9

// remarks are those of the whole answer.
func (e *evaluation) remarks() (all []string) {
	rec := &e.st.rec
	if e.fitted.Poor {
		all = append(all, e.fitted.Words)
	}
	if rec.Coverage < lowCoverage {
		all = append(all, fmt.Sprintf("%.0f %% of the window was not observed and is not replayed; all sums are of the %.0f %% that was",
			100*(1-rec.Coverage), 100*rec.Coverage))
	}
	if rec.ResolutionS > 0 {
		all = append(all, "lowest pressure "+rec.Resolution)
	}
	if !e.metered {
		all = append(all, "the energy is not measured ("+rec.Measured.EnergyBasis+"): energies are the replay's own")
	}
	all = append(all, rec.FollowBasis)
	for i := range rec.Machines {
		m := &rec.Machines[i]
		if m.Machine.Control.PartLoad() && m.Curve == nil {
			all = append(all, m.Machine.Name+": the week does not show its part-load curve; the handbook's is taken, ±5 points")
		}
	}
	return append(all, e.st.gaps(&e.st.base)...)
}

// ShortOfAir begins the remark that users would go short: it is told before a saving.
const ShortOfAir = "SHORT OF AIR"

// worse is from where on a shortness is more than there is now anyway, as after a trip:
// a larger receiver falls less and fills longer.
const worse = 1.25

// remarksOf are those of one alternative.
func (e *evaluation) remarksOf(p *plan, of *plays, saved gum.Value) (all []string) {
	st := e.st
	r := of.result
	if now := e.present.result; r.ShortS > worse*now.ShortS+minuteS || !p.demand.awake && r.ShortM3 > worse*now.ShortM3+1 {
		noSaving := ""
		if saved.V > 0 {
			noSaving = "; what is saved by not delivering is no saving"
		}
		fell := func(pa float64) string { return quantity.Format(max(0, pa), quantity.Pressure, st.site.Units) }
		all = append(all, fmt.Sprintf("%s: the pressure would lie below what users need for %s, and %s of free air would be missing, against %s and %s now; it would fall to %s, against %s now%s",
			ShortOfAir, seconds(r.ShortS), st.air(r.ShortM3), seconds(now.ShortS), st.air(now.ShortM3), fell(r.LowestPa), fell(now.LowestPa), noSaving))
	}
	if math.Abs(saved.V) <= coverageFactor*saved.U() && saved.U() > 0 {
		all = append(all, "the saving is not told from nothing: its interval holds zero")
	}
	all = append(all, st.gaps(p)...)
	for i := range p.units {
		u := &p.units[i]
		if (u.another || u.refitted) && u.control.PartLoad() {
			all = append(all, fmt.Sprintf("%s: part-load power by the handbook's curve for %s, ±5 points", u.name, u.control))
			if u.control == sitefile.VariableSpeed && !u.targetSet {
				all = append(all, fmt.Sprintf("%s: no target was set: it holds %s", u.name, quantity.Format(u.target.V+u.gauge.V, quantity.Pressure, st.site.Units)))
			}
		}
		all = append(all, st.timerRemark(u, of, i)...)
		all = append(all, e.startsRemark(u, of, i)...)
		all = append(all, e.guardRemark(u, r.Machines[i].GuardedS)...)
	}
	return all
}

// air is a volume of free air in words.
func (st *Study) air(m3 float64) string {
	symbol, factor, _ := st.site.Units.Display("m³")
	if v := m3 * factor; v >= 1000 { // 57827, not 5.78e+04
		return fmt.Sprintf("%.0f %s", v, symbol)
	}
	return fmt.Sprintf("%.3g %s", m3*factor, symbol)
}

// timerRemark tells of a no-load stop that lies near the machine's own rests: then
// a second more or less decides whether it stops.
func (st *Study) timerRemark(u *unit, of *plays, i int) []string {
	m := &of.result.Machines[i]
	if math.IsInf(u.noLoadStopS, 1) || m.Loads == 0 {
		return nil
	}
	rests := restsOf(of, i)
	near := 0
	for _, s := range rests {
		if s > 0.8*u.noLoadStopS && s < 1.25*u.noLoadStopS {
			near++
		}
	}
	if near*5 < len(rests) || near < 5 {
		return nil
	}
	return []string{fmt.Sprintf("%s: its no-load stop of %s lies near the time it rests between loads (%d of %d rests within a quarter of it): starts are chaotic here", u.name, seconds(u.noLoadStopS), near, len(rests))}
}

// restsOf are the times a machine did not deliver between two loads, in one stretch.
func restsOf(of *plays, i int) (all []float64) {
	since := math.NaN()
	for _, p := range of.result.Trace {
		delivers := stateWord(p.States[i]) == analysis.Loaded.String() || stateWord(p.States[i]) == analysis.PartLoad.String()
		switch {
		case p.Break:
			since = math.NaN()
		case delivers && !math.IsNaN(since):
			all = append(all, p.AtS-since)
			since = math.NaN()
		case !delivers && math.IsNaN(since):
			since = p.AtS
		}
	}
	return all
}

// guardRemark tells of a starts guard that would hold a machine back while the
// pressure falls, longer than it does now.
func (e *evaluation) guardRemark(u *unit, guardedS float64) []string {
	now := 0.0
	if u.from >= 0 {
		now = e.present.result.Machines[u.from].GuardedS
	}
	if guardedS < now+minuteS {
		return nil
	}
	return []string{fmt.Sprintf("the starts guard of %s, %s from start to start, would keep it waiting below its cut-in for %.0f min in all, against %.0f min now",
		u.name, seconds(u.leastBetweenS), guardedS/60, now/60)}
}

// manyStarts in an hour are asked about where nobody said what the motor stands
// (common practice, no source).
const manyStarts = 6

// startsRemark tells of a motor that would start more often than it stands, or, where
// that is not known, than many do and than it does now.
func (e *evaluation) startsRemark(u *unit, of *plays, i int) []string {
	most, now := of.result.Machines[i].StartsHourMax, 0
	if u.from >= 0 {
		now = e.present.result.Machines[u.from].StartsHourMax
	}
	switch {
	case u.startsPerHour > 0 && float64(most) > u.startsPerHour:
		where := "site file"
		if u.another {
			where = "list of machines"
		}
		return []string{fmt.Sprintf("%s would start %d times in an hour; its motor stands %g (%s): not allowed as it is", u.name, most, u.startsPerHour, where)}
	case u.startsPerHour <= 0 && most > max(manyStarts, now):
		return []string{fmt.Sprintf("%s would start %d times in an hour, against %d now; what its motor stands is not known: starts_per_hour of the motor, or of the list of machines, says it", u.name, most, now)}
	}
	return nil
}

// changed reports whether a setting of one of these names is in a plan.
func (p *plan) changed(is func(key string) bool) bool { return slices.ContainsFunc(p.keys, is) }
