package analysis

import (
	"fmt"
	"math"
	"time"

	"loadscribe/agent/air"
	"loadscribe/agent/gum"
	"loadscribe/agent/sitefile"
)

func quietNames() []string {
	return []string{"quiet_demand", "quiet_pressure", "leak_flow", "leak_share", "leak_cost"}
}

// leaks sets what flows in quiet hours and what of it leaks.
func (s *sheet) leaks(sys *sitefile.System, b *airBalance) {
	if b.absent != "" {
		s.absent(b.absent, quietNames()...)
		return
	}
	r := newQuietResult(s.site, sys, b, s.machines, s.q.tests, s.g.to)
	s.quiet = r
	s.quietTables(r)
	if r.absent != "" {
		s.absent(r.absent, quietNames()...)
		return
	}
	s.putQuiet(r)
	leak := s.putLeak(r)
	s.leakShare(r, leak)
	s.leakCost(r, leak)
	s.leakNotes(r, leak)
}

// newQuietResult finds quiet hours and goes through the methods.
func newQuietResult(site *sitefile.Site, sys *sitefile.System, b *airBalance, machines []*sheet, tests *tests, endMS int64) *quietResult {
	r := &quietResult{balance: b, hours: b.quietHours(site), users: quietUsers(site, sys)}
	outside := site.BarometerPa
	guided := b.leakTest(tests, endMS, outside, site.Location)
	if r.hours.absent != "" {
		r.fromTest(guided)
		return r
	}
	quiet := r.hours.minutes()
	r.pa = b.meanPa(quiet, outside)
	r.running = b.runningIn(quiet, machines)
	base := b.baseDemand(r.hours, outside)
	if b.metered {
		base.behind = flowTap(sys)
	}
	r.methods = []leakMethod{base, b.bleedDown(r.hours, site), b.loadedShare(r.hours, machines, outside)}
	for i := range r.methods {
		r.methods[i].ran = b.runningIn(r.methods[i].minutes, machines)
	}
	r.methods = append(r.methods, guided...)
	r.combine()
	if r.absent == "" {
		r.move = r.moved(outside)
	}
	return r
}

// fromTest goes by a guided test alone, where the window has no quiet hour.
func (r *quietResult) fromTest(guided []leakMethod) {
	r.methods = guided
	if len(r.valid()) == 0 {
		r.absent = r.hours.absent
		return
	}
	first := r.valid()[0]
	r.pa, r.running = first.pa, first.ran
	r.combine()
}

// flowTap is the part after which the system's flow is measured.
func flowTap(sys *sitefile.System) (at string) {
	for _, t := range sys.Taps {
		if t.Flow != "" {
			at = t.At
		}
	}
	return at
}

const perMinute = 60.0 // of m³/s

func (s *sheet) putQuiet(r *quietResult) {
	denominator, method := r.rests()
	s.ratioValue("quiet_demand", "m³/min", r.demand.Scaled(perMinute), method, denominator, inputsOf(r.demand))
	gauge := r.pa - s.site.BarometerPa
	f := s.put("quiet_pressure", "kPa", estimate{gauge / 1000, s.g.sp.pressureU(gauge) / 1000},
		"mean of the quiet minutes: what quiet demand and leaks refer to; leaks follow the absolute pressure", nil)
	f.Denominator = denominator
	s.figures[f.Name] = *f
}

// rests says what hours the figures are of, and how they are found.
func (r *quietResult) rests() (denominator, method string) {
	if r.hours.absent != "" {
		return "the leak test", "what flowed in the leak test, since the window has none of its own (" + r.hours.absent + "); " + r.words
	}
	minutes := len(r.hours.minutes())
	method = fmt.Sprintf("what flows when nobody works, %s: hours in which demand keeps within a quarter of the night's level; %s", r.hours.basis, r.words)
	if n := len(r.hours.busy); n > 0 {
		method += fmt.Sprintf("; %d nights left out, in which somebody worked", n)
	}
	return fmt.Sprintf("%.1f quiet hours in %d nights and days off", float64(minutes)/60, len(r.hours.nights)), method
}

// pressureU is the standard uncertainty of the spec's pressure.
func (sp *spec) pressureU(gaugePa float64) float64 {
	if sp.pressure < 0 {
		return 0
	}
	return sp.chans[sp.pressure].reading(gaugePa)
}

// inputsOf names what a value rests on, what matters most first.
func inputsOf(v gum.Value) (inputs []string) {
	for _, share := range v.Shares() {
		inputs = append(inputs, share.Input)
	}
	return inputs
}

// putLeak sets leak_flow, never below zero, and returns what is put.
func (s *sheet) putLeak(r *quietResult) gum.Value {
	leak := r.leak
	method := "quiet demand"
	for i := range r.users {
		u := &r.users[i]
		if u.known {
			method += fmt.Sprintf(" less %s (%s)", u.name, shownIn(s.site, u.at(r.pa, r.running).V*perMinute, "m³/min"))
		} else {
			method += fmt.Sprintf(", in which %s is not separable", u.name)
		}
	}
	if len(r.users) == 0 {
		method += "; the site file names no purge, drain or night user, so that all of it counts as leak"
	}
	if low := leak.V - float64(coverageFactor*leak.U()); low <= 0 {
		method += "; the interval includes zero: no leak is proven"
	}
	leak.V = max(0, leak.V)
	s.ratioValue("leak_flow", "m³/min", leak.Scaled(perMinute), method, s.figures["quiet_demand"].Denominator, inputsOf(leak))
	return leak
}

// leakShare sets leaks over the mean flow of the same minutes.
func (s *sheet) leakShare(r *quietResult, leak gum.Value) {
	b := r.balance
	var whole []int
	var leaked, working, workingN float64
	for i := range b.minutes {
		if !b.whole(i) || !b.minutes[i].hasPressure {
			continue
		}
		whole = append(whole, i)
		leaked += b.leakedIn(i, s.site.BarometerPa)
		if m := &b.minutes[i]; m.delivering {
			working += float64((m.startPa + m.endPa) / 2)
			workingN++
		}
	}
	if workingN > 0 {
		r.workingPa = working/workingN + s.site.BarometerPa
	}
	flow, seconds := b.mean(whole)
	if flow.V <= 0 {
		s.absent("no air flowed in the minutes that can be balanced", "leak_share")
		return
	}
	method := "what leaks at each minute's pressure, over what the system took in the same minutes"
	if full := ratedFlowM3S(s.site, b.sys); full > 0 && workingN > 0 {
		at := leak.V / r.pa * r.workingPa
		method += fmt.Sprintf("; while machines deliver (at %s) it is %.0f %% of their rated flow: under 10 %% of capacity is well kept, 20 to 30 %% poor (handbook, read)",
			shownIn(s.site, working/workingN/1000, "kPa"), 100*at/full)
	}
	share := leak.Scaled(leaked / r.pa / seconds).Over(flow)
	if share.V > 1 {
		share.V = 1
		method += "; more would leak than flows, which cannot be: put as all of it"
	}
	s.ratioValue("leak_share", "1", share, method, "mean flow of all balanced minutes", inputsOf(share))
}

// leakCost sets what leaks cost in a year.
func (s *sheet) leakCost(r *quietResult, leak gum.Value) {
	const name = "leak_cost"
	t := &s.site.Tariff
	if t.Currency == "" || len(t.Energy) == 0 {
		s.absent("no energy price in the site file", name)
		return
	}
	each, words, idle, absent := r.marginal(s.machines)
	if absent != "" {
		s.absent(absent, name)
		return
	}
	year, days, absent, atLeast := r.balance.priceLeak(s.site)
	if absent != "" {
		s.absent(absent, name)
		return
	}
	flow := "leak_flow"
	if r.move != nil {
		leak, flow = r.move.today(s.site, leak)
	}
	cost := air.LeakCost(leak, r.pa, each, year/joulesPerKWh)
	s.ratioValue(name, t.Currency, cost, fmt.Sprintf("%s at each minute's pressure, times %s (%s), times the price of energy when it is made up; %s; a demand charge is not saved by it (assumed)",
		flow, words, shownIn(s.site, each.V/joulesPerKWh, "kWh/m³"), days), "a year", append(inputsOf(cost), "tariff"))
	s.atLeast(name, r.costLeavesOut(t, idle, atLeast)...)
}

// costLeavesOut says for what a leak's cost is no more than a lower bound.
func (r *quietResult) costLeavesOut(t *sitefile.Tariff, idle, noDayOff bool) (why []string) {
	if idle {
		why = append(why, "idling for the leaks alone is not counted")
	}
	if noDayOff {
		why = append(why, "days off are left out, none was seen")
	}
	if len(t.Demand) > 0 {
		why = append(why, "no demand charge is counted")
	}
	if r.move != nil && r.move.perDay > 0 {
		why = append(why, "leaks grow on")
	}
	return why
}

// likePressure is within which share two pressures leak alike, so that one is said.
const likePressure = 0.02

// leakNotes puts beside the figures what their values refer to: a leak is no number
// without its pressure, and one that grows none without its time.
func (s *sheet) leakNotes(r *quietResult, leak gum.Value) {
	f := s.figures["leak_flow"]
	f.Note = "at " + shownIn(s.site, (r.pa-s.site.BarometerPa)/1000, "kPa")
	if r.workingPa > 0 && math.Abs(r.workingPa/r.pa-1) > likePressure {
		f.Note += fmt.Sprintf(", the mean of quiet hours; %s at %s, the mean while machines deliver",
			shownIn(s.site, float64(leak.V*(r.workingPa/r.pa))*perMinute, "m³/min"), shownIn(s.site, (r.workingPa-s.site.BarometerPa)/1000, "kPa"))
	}
	if r.move != nil {
		f.Note += "; " + r.move.words(s.site)
	}
	s.figures[f.Name] = f
	if cost := s.figures["leak_cost"]; r.move != nil && cost.Value != nil {
		cost.Note = fmt.Sprintf("at the leaks of the last %s", nights(r.move.nights))
		s.figures[cost.Name] = cost
	}
}

func nights(n int) string {
	if n == 1 {
		return "quiet night"
	}
	return fmt.Sprintf("%d quiet nights", n)
}

// quietTables shows the methods, the nights and the users side by side.
func (s *sheet) quietTables(r *quietResult) {
	if len(r.methods) > 0 {
		s.tables = append(s.tables, r.methodTable(s.site))
	}
	if r.absent != "" {
		return
	}
	if r.hours.absent == "" {
		s.tables = append(s.tables, r.nightTable(s.site))
	}
	if len(r.users) > 0 {
		s.tables = append(s.tables, r.userTable())
	}
}

func (r *quietResult) methodTable(site *sitefile.Site) Table {
	outsidePa := site.BarometerPa
	t := Table{Name: "leak_methods",
		Method:  fmt.Sprintf("what leaks, by each method, brought to %s; %s; weights by covariance, for methods that share an input are not independent", shownIn(site, (r.pa-outsidePa)/1000, "kPa"), r.words),
		Columns: []Column{{"leak", "m³/min"}, {"uncertainty", "m³/min"}, {"measured at", "kPa"}, {"time", "s"}, {"cycles", "1"}, {"weight", "1"}}}
	for i := range r.methods {
		m := &r.methods[i]
		row := Row{Name: m.name, Values: make([]*float64, len(t.Columns)), Note: m.note}
		if m.why != "" {
			row.Note = "not valid: " + m.why
			t.Rows = append(t.Rows, row)
			continue
		}
		row.Values = []*float64{number64(m.steady.V * perMinute), number64(coverageFactor * m.steady.U() * perMinute),
			number64((m.pa - outsidePa) / 1000), number64(m.seconds), nil, number64(m.weight)}
		if m.cycles > 0 {
			row.Values[4] = number64(float64(m.cycles))
		}
		t.Rows = append(t.Rows, row)
	}
	if r.absent == "" {
		t.Rows = append(t.Rows, Row{Name: "combined", Values: []*float64{number64(r.leak.V * perMinute),
			number64(coverageFactor * r.leak.U() * perMinute), number64((r.pa - outsidePa) / 1000), nil, nil, number64(1)}})
	}
	return t
}

// mostNights is how many rows the table of nights has.
const mostNights = 31

func (r *quietResult) nightTable(site *sitefile.Site) Table {
	t := Table{Name: "quiet_nights", Method: "quiet hours " + r.hours.basis + ": the demand's lower quartile of each night, by quarter hours at its pressure; times are local",
		Columns: []Column{{"quiet", "s"}, {"flow", "m³/min"}, {"mean pressure", "kPa"}}}
	nights := r.hours.nights
	if n := len(nights); n > mostNights {
		nights = nights[n-mostNights:]
		t.Method += fmt.Sprintf("; the last %d of %d", mostNights, n)
	}
	for i := range nights {
		n := &nights[i]
		pa := r.balance.meanPa(n.minutes, site.BarometerPa)
		local := func(ms int64, layout string) string { return time.UnixMilli(ms).In(site.Location).Format(layout) }
		t.Rows = append(t.Rows, Row{Name: local(n.fromMS, "Mon 2 Jan 15:04") + " to " + local(n.toMS, "Mon 2 Jan 15:04"),
			Values: []*float64{number64(float64(len(n.minutes)) * 60), number64(r.balance.flowIn(n.minutes) * perMinute), number64((pa - site.BarometerPa) / 1000)}})
	}
	return t
}

func (r *quietResult) userTable() Table {
	t := Table{Name: "quiet_users", Method: fmt.Sprintf("what takes air in quiet hours and is no leak, by the site file, each within %.0f %% (assumed)", 100*userLimit),
		Columns: []Column{{"flow", "m³/min"}, {"uncertainty", "m³/min"}}}
	for i := range r.users {
		u := &r.users[i]
		row := Row{Name: u.name, Note: u.note, Values: make([]*float64, 2)}
		if u.known {
			f := u.at(r.pa, r.running)
			row.Values = []*float64{number64(f.V * perMinute), number64(coverageFactor * f.U() * perMinute)}
		}
		t.Rows = append(t.Rows, row)
	}
	return t
}
