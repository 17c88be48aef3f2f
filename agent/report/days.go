package report

import (
	"fmt"
	"math"
	"time"

	"loadscribe/agent/analysis"
	"loadscribe/agent/chart"
	"loadscribe/agent/display"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// mostDays are drawn as strips: a week, so that each day of it can be read.
const mostDays = 7

// days shows the days below one another and the week by its hours.
func days(b *builder) []Section {
	s := Section{ID: "days", Title: "Seven days", Level: 1}
	all := b.localDays()
	if len(all) == 0 {
		s.Blocks = append(s.Blocks, gap("No day to draw", "the window holds no time that has passed"))
		return []Section{s}
	}
	drawn := fullest(all, mostDays)
	text := say("Each strip is a day by the clock of the site: what the machine did as a band, and a quantity above it. Hatched or broken is what was not observed; a thin band about the line reaches from the lowest to the highest reading.")
	if len(drawn) < len(all) {
		text = append(text, words(" The window touches %d dates; the %d in a row of which it holds most are drawn.", len(all), len(drawn)))
	}
	for _, d := range drawn {
		switch {
		case d.Length() < 24*time.Hour:
			text = append(text, words(" On %s the clocks go forward: the hour that they skip is blank.", d.Date.Format("Mon 2 Jan")))
		case d.Length() > 24*time.Hour:
			text = append(text, words(" On %s the clocks go back: of the hour that they show twice the line has the first.", d.Date.Format("Mon 2 Jan")))
		}
	}
	s.Blocks = append(s.Blocks, Block{Text: text})
	for i := range b.data.Site.Machines {
		m := &b.data.Site.Machines[i]
		if at := b.machine(m.Name); at >= 0 {
			s.Blocks = append(s.Blocks, b.strips(m, i, drawn))
		}
	}
	for i, of := range b.subjects() {
		s.Blocks = append(s.Blocks, b.energyHeat(of, i)...)
	}
	for i := range b.data.Figures.Systems {
		s.Blocks = append(s.Blocks, b.demandHeat(i)...)
	}
	return []Section{s}
}

// localDays are the dates of the window, up to when the report is made.
func (b *builder) localDays() []analysis.LocalDay {
	return analysis.LocalDays(b.data.Site.Location, b.data.FromMS, min(b.data.ToMS, b.data.NowMS))
}

// fullest are n days in a row of which most lies in the window; of alike ones the last.
func fullest(all []analysis.LocalDay, n int) []analysis.LocalDay {
	if len(all) <= n {
		return all
	}
	best, most := 0, -1.0
	for i := 0; i+n <= len(all); i++ {
		held := 0.0
		for _, d := range all[i : i+n] {
			held += d.Share()
		}
		if held >= most {
			best, most = i, held
		}
	}
	return all[best : best+n]
}

// clockHour is what the site's clock shows, in hours. The hour that a clock shows twice
// comes out twice: who draws leaves out what would go back.
func clockHour(ms int64, loc *time.Location) float64 {
	t := time.UnixMilli(ms).In(loc)
	return float64(t.Hour()) + float64(t.Minute())/60 + float64(t.Second())/3600
}

// strips are a machine's days.
func (b *builder) strips(m *sitefile.Machine, number int, all []analysis.LocalDay) Block {
	series, what := b.stripSeries(m)
	c := &chart.Strips{X: chart.Axis{Label: "hour of the day", Min: 0, Max: 24, Ticks: clockTicks()}, Y: chart.Axis{Label: what, Zero: true}}
	convert := func(v float64) float64 { return v }
	if series != nil {
		unit, factor, offset := b.data.Site.Units.Display(series.unit)
		c.Y.Unit = unit
		convert = func(v float64) float64 { return float64(v*factor) + offset }
	}
	known := false
	for _, day := range all {
		strip := chart.Strip{Name: day.Date.Format("Mon 2 Jan"), States: b.stages(m.Name, day)}
		if series != nil {
			strip.Line = series.line(day, b.data.Site.Location, convert)
		}
		for _, stage := range strip.States {
			known = known || stage.State != analysis.Unobserved.String()
		}
		known = known || len(strip.Line.X) > 0
		c.Rows = append(c.Rows, strip)
	}
	if !known {
		return gap("No days of "+m.Name+" to draw", "nothing of "+m.Name+" was observed in these days")
	}
	title := "The days of " + m.Name
	if what != "" {
		title += ", with its " + what
	}
	return Block{Chart: &chart.Chart{ID: "days-" + slug(m.Name, number), Title: title, Summary: b.stripSummary(m.Name, all), Strips: c}}
}

func clockTicks() (ticks []chart.Tick) {
	for h := 0; h <= 24; h += 3 {
		ticks = append(ticks, chart.Tick{At: float64(h), Name: fmt.Sprintf("%02d:00", h)})
	}
	return ticks
}

// stripSummary says on how many days the machine ran, and between which times.
func (b *builder) stripSummary(machine string, all []analysis.LocalDay) string {
	first, last, ran := 24.0, 0.0, 0
	for _, day := range all {
		before := ran
		for _, stage := range b.stages(machine, day) {
			if !runningWord(stage.State) {
				continue
			}
			ran = before + 1
			first, last = min(first, stage.From), max(last, stage.To)
		}
	}
	if ran == 0 {
		if len(all) == 1 {
			return machine + " was not seen running on this day."
		}
		return fmt.Sprintf("%s was not seen running on these %d days.", machine, len(all))
	}
	clock := func(h float64) string { m := int(math.Round(h * 60)); return fmt.Sprintf("%02d:%02d", m/60, m%60) }
	if len(all) == 1 {
		return fmt.Sprintf("%s ran on this day, at the earliest from %s and at the latest until %s.", machine, clock(first), clock(last))
	}
	return fmt.Sprintf("%s ran on %d of these %d days, at the earliest from %s and at the latest until %s.", machine, ran, len(all), clock(first), clock(last))
}

// runningWord reports a state in which the motor turns.
func runningWord(word string) bool {
	for _, s := range analysis.States() {
		if s.String() == word {
			return s.Running()
		}
	}
	return false
}

// stages are a day's states by its clock.
func (b *builder) stages(machine string, day analysis.LocalDay) (all []chart.Stage) {
	add := func(from, to float64, state string) {
		if n := len(all); n > 0 {
			from = max(from, all[n-1].To)
		}
		if to > from {
			all = append(all, chart.Stage{From: rounded(from), To: rounded(to), State: state})
		}
	}
	for _, r := range b.data.Runs[machine] {
		from, to := max(r.FromMS, day.FromMS), min(r.ToMS, day.ToMS)
		for from < to {
			until := to
			// The clock changes within it: two pieces.
			if _, end := time.UnixMilli(from).In(b.data.Site.Location).ZoneBounds(); !end.IsZero() {
				until = min(to, max(end.UnixMilli(), from+1))
			}
			start := clockHour(from, b.data.Site.Location)
			add(start, start+float64(until-from)/3.6e6, r.State.String())
			from = until
		}
	}
	return all
}

// stripSeries is what is drawn of a machine: its power, or what else is read of it.
func (b *builder) stripSeries(m *sitefile.Machine) (s *bucketed, what string) {
	for _, of := range []struct {
		role scan.Role
		what string
	}{{scan.Power, "power"}, {scan.MotorCurrent, "current"}, {scan.DischargePressure, "discharge pressure"}, {scan.Flow, "flow"}} {
		series, ok := b.data.Series[m.Roles[of.role]]
		if ok && len(series.Cells) > 0 {
			return bucketsOf(&series), of.what
		}
	}
	return nil, ""
}

// energyHeat is the mean power of each hour of the week.
func (b *builder) energyHeat(of subject, number int) []Block {
	hours := b.data.Hours[of.key()]
	if len(hours.Rows) == 0 {
		return nil
	}
	week := analysis.PowerWeek(&hours, b.data.Site.Location)
	heat := &chart.Heat{Unit: "kW", Columns: clockColumns()}
	top, topDay, topHour := math.Inf(-1), 0, 0
	for d, name := range weekdays() {
		row := make(chart.Values, 24)
		for h := range row {
			row[h] = math.NaN()
			if week[d][h].N == 0 {
				continue
			}
			if row[h] = rounded(week[d][h].KW); row[h] > top {
				top, topDay, topHour = row[h], d, h
			}
		}
		heat.Rows, heat.Cells = append(heat.Rows, name), append(heat.Cells, row)
	}
	blocks := []Block{{Chart: &chart.Chart{ID: "energy-week-" + slug(of.name, number), Title: "Mean power of " + of.name + " by weekday and hour",
		Summary: fmt.Sprintf("Highest on %s from %02d:00, at %s kW. Hatched hours were not observed.", weekdays()[topDay], topHour, display.Cell(&top, &analysis.Column{Name: "mean power", Unit: "kW"}, b.data.Site.Units)), Heat: heat}}}
	if off := b.ofSubject(of, "energy_off_shift"); off.has() {
		blocks = append([]Block{para("Outside the shifts "+of.name+" used ", b.figure(off), " of its ", b.figure(b.ofSubject(of, "energy")), " in this window.")}, blocks...)
	}
	return blocks
}

func weekdays() []string { return []string{"Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"} }

func clockColumns() (all []string) {
	for h := range 24 {
		all = append(all, fmt.Sprintf("%02d", h))
	}
	return all
}

// demandHeat is the mean demand for air of each hour of the week, as the figures have it.
func (b *builder) demandHeat(system int) []Block {
	t, _ := b.tableOfSystem(system, "air_demand_profile")
	if t == nil || len(t.Rows) == 0 || len(t.Columns) == 0 {
		return nil
	}
	name := b.data.Figures.Systems[system].System
	unit, factor, _ := b.data.Site.Units.Display(t.Columns[0].Unit)
	heat := &chart.Heat{Unit: unit}
	for i := range t.Rows {
		heat.Columns = append(heat.Columns, t.Rows[i].Name[:min(2, len(t.Rows[i].Name))])
	}
	step := math.Pow10(-display.FlowDecimals(t, b.data.Site.Units)) // what a balance can tell
	top, topDay, topHour := math.Inf(-1), "", ""
	for d, c := range t.Columns {
		row := make(chart.Values, len(t.Rows))
		for h := range t.Rows {
			row[h] = math.NaN()
			if v := t.Rows[h].Values[d]; v != nil {
				row[h] = rounded(math.Round(*v*factor/step)*step) + 0 // no -0
				if row[h] > top {
					top, topDay, topHour = row[h], c.Name, t.Rows[h].Name
				}
			}
		}
		heat.Rows, heat.Cells = append(heat.Rows, c.Name), append(heat.Cells, row)
	}
	if math.IsInf(top, -1) {
		return nil
	}
	return []Block{{Chart: &chart.Chart{ID: "demand-week-" + slug(name, system), Title: "Mean demand for air of " + name + " by weekday and hour",
		Summary: fmt.Sprintf("Highest on %s from %s, at %.4g %s. Hatched hours were not observed.", topDay, topHour, top, unit), Heat: heat}}}
}
