package report

import (
	"fmt"
	"math"
	"time"

	"loadscribe/agent/analysis"
	"loadscribe/agent/chart"
)

// mostBars are the days that a chart of days shows at most: a month.
const mostBars = 31

// duty is how the machines spent their time, and how often they started.
func duty(b *builder) []Section {
	s := Section{ID: "duty", Title: "Duty and starts", Level: 1}
	s.Blocks = append(s.Blocks, para("Loaded, a machine makes air; unloaded it runs and makes none; in standby it stands and may start at any moment. Duty is the time loaded over the time running. What was not observed is in no share."))
	times := b.figureTables("How the time was spent", []named{
		{"observed_time", "Observed"}, {"unobserved_time", "Not observed"}, {"running_time", "Running"}, {"loaded_time", "Loaded"}, {"part_load_time", "At part load"},
		{"unloaded_time", "Unloaded"}, {"standby_time", "Standby"}, {"off_time", "Off"}, {"stopped_time", "Stopped (off or standby)"},
		{"duty_cycle", "Duty"}, {"loaded_share", "Loaded share of all time"}, {"mean_load_fraction", "Mean share of full flow"}})
	s.Blocks = append(s.Blocks, times...)
	if len(times) == 0 {
		s.Blocks = append(s.Blocks, b.noFigure("How the time was spent is not known", "running_time"))
	}
	days := b.localDays()
	for i := range b.data.Figures.Machines {
		if c := b.dutyByDay(i, days); c != nil {
			s.Blocks = append(s.Blocks, Block{Chart: c})
		}
	}
	return append([]Section{s}, b.startSection(days)...)
}

// dutyByDay is a machine's hours by state on each day; nil: none is known.
func (b *builder) dutyByDay(machine int, days []analysis.LocalDay) *chart.Chart {
	name := b.data.Figures.Machines[machine].Machine
	days = days[max(0, len(days)-mostBars):]
	hours := map[string]map[analysis.State]float64{}
	known := false
	for _, d := range days {
		of := spent(b.data.Runs[name], d.FromMS, d.ToMS)
		hours[d.Date.Format(time.DateOnly)] = of
		known = known || seen(of)
	}
	if !known {
		return nil
	}
	used := usedStates(hours)
	bars := &chart.Bars{Value: chart.Axis{Label: "time", Unit: "h", Zero: true}}
	for _, state := range used {
		bars.Parts = append(bars.Parts, state.String())
	}
	for _, d := range days {
		bars.Bars = append(bars.Bars, stateBar(d.Date.Format("Mon 2"), hours[d.Date.Format(time.DateOnly)], used))
	}
	return &chart.Chart{ID: "duty-" + slug(name, machine), Title: "The hours of " + name + " by day", Summary: dutySummary(name, bars, days), Bars: bars}
}

// dutySummary says how long the machine ran on the days on which it did, of those that
// the window holds whole; a bar for each day.
func dutySummary(name string, bars *chart.Bars, days []analysis.LocalDay) string {
	least, most := chart.Bar{}, chart.Bar{}
	low, high, ran, whole := math.Inf(1), math.Inf(-1), 0, 0
	for k, bar := range bars.Bars {
		if days[k].Share() < 0.999 {
			continue
		}
		whole++
		hours := 0.0
		for i, v := range bar.Values {
			if runningWord(bars.Parts[i]) {
				hours += v
			}
		}
		if hours == 0 {
			continue
		}
		ran++
		if hours < low {
			low, least = hours, bar
		}
		if hours > high {
			high, most = hours, bar
		}
	}
	switch {
	case whole == 0:
		return name + ": its hours on the days of the window, of which none is whole."
	case ran == 0:
		return fmt.Sprintf("%s was not seen running on the %d whole %s.", name, whole, plural(whole, "day", "days"))
	case whole == 1:
		return fmt.Sprintf("%s ran for %.1f h on the one whole day (%s).", name, low, least.Name)
	case ran == 1:
		return fmt.Sprintf("%s ran on one of the %d whole days, for %.1f h (%s).", name, whole, low, least.Name)
	case high-low < 0.05:
		return fmt.Sprintf("%s ran on %d of the %d whole days, for %.1f h each.", name, ran, whole, low)
	}
	return fmt.Sprintf("%s ran on %d of the %d whole days, for %.1f h (%s) to %.1f h (%s).", name, ran, whole, low, least.Name, high, most.Name)
}

// startSection is the part on starts: of a site without states there is none.
func (b *builder) startSection(days []analysis.LocalDay) []Section {
	s := Section{ID: "starts", Title: "Starts", Level: 2}
	tables := b.figureTables("Starts and rests, beside what the motor bears", []named{
		{"starts", "Starts"}, {"starts_failed", "Of them failed"}, {"starts_after_power_failure", "Of them after a power failure"},
		{"starts_per_hour_mean", "Mean an hour"}, {"starts_per_hour_max", "Most in any hour"}, {"shortest_rest", "Shortest rest"}})
	if len(tables) == 0 {
		return nil
	}
	s.Blocks = append(s.Blocks, para("Each start heats the motor, and a short rest does not let it cool: its maker limits both. The most in any hour is of any sixty minutes, wherever they begin."))
	s.Blocks = append(s.Blocks, tables...)
	for i := range b.data.Figures.Machines {
		if c := b.startsByDay(i, days); c != nil {
			s.Blocks = append(s.Blocks, Block{Chart: c})
		}
	}
	return []Section{s}
}

// startsByDay is the most starts in an hour of the clock on each day; nil: none was seen.
func (b *builder) startsByDay(machine int, days []analysis.LocalDay) *chart.Chart {
	name := b.data.Figures.Machines[machine].Machine
	days = days[max(0, len(days)-mostBars):]
	byHour := map[int64]int64{}
	for i := range b.data.Intervals[name] {
		v := &b.data.Intervals[name][i]
		if at, err := time.Parse(time.RFC3339Nano, v.Start); err == nil {
			byHour[at.UnixMilli()-mod(at.UnixMilli(), 3_600_000)] += v.Starts
		}
	}
	bars := &chart.Bars{Value: chart.Axis{Label: "most starts in an hour", Zero: true}, Parts: []string{"starts"}}
	most := int64(0)
	for _, d := range days {
		top := int64(0)
		for at := d.FromMS - mod(d.FromMS, 3_600_000); at < d.ToMS; at += 3_600_000 {
			top = max(top, byHour[at])
		}
		most = max(most, top)
		bars.Bars = append(bars.Bars, chart.Bar{Name: d.Date.Format("Mon 2"), Values: chart.Values{float64(top)}})
	}
	if most == 0 {
		return nil
	}
	limit := ""
	if r := b.ofMachine(machine, "starts_per_hour_max"); r.Figure != nil && r.Limit != nil {
		bars.Limits = append(bars.Limits, chart.Limit{At: *r.Limit, Name: fmt.Sprintf("limit %.4g an hour", *r.Limit)})
		limit = fmt.Sprintf("; the limit is %.4g", *r.Limit)
	}
	return &chart.Chart{ID: "starts-" + slug(name, machine), Title: "Most starts of " + name + " in an hour of the clock, by day",
		Summary: fmt.Sprintf("At most %d in an hour of the clock%s.", most, limit), Bars: bars}
}

// mod is the remainder that is never below nought.
func mod(a, n int64) int64 { return ((a % n) + n) % n }
