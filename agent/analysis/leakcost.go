package analysis

import (
	"fmt"
	"time"

	"loadscribe/agent/air"
	"loadscribe/agent/gum"
	"loadscribe/agent/sitefile"
)

const (
	daysPerYear       = 365.25
	leastDayTypeHours = 20 // of the day's hours that must have been seen
)

// leakedIn is Σ p·t over minutes, in Pa·s, of what a leak follows: the absolute
// pressure, less where air no longer leaves at the speed of sound.
func (b *airBalance) leakedIn(i int, outsidePa float64) float64 {
	m := &b.minutes[i]
	pa := float64((m.startPa+m.endPa)/2) + outsidePa
	if pa <= outsidePa {
		return 0
	}
	return float64(pa * air.OrificeShare(pa, outsidePa) * minuteMS / 1000)
}

// marginal is what a cubic metre less would save, J/m³: a load/unload machine
// that loads less idles more, so that it saves loaded less unloaded power over its
// flow, not its mean specific power. idles: it would also idle less.
func (r *quietResult) marginal(machines []*sheet) (v gum.Value, words string, idles bool, absent string) {
	k := r.balance.mostly(r.hours.minutes())
	if k < 0 {
		all := make([]int, len(r.balance.minutes))
		for i := range all {
			all[i] = i
		}
		if k = r.balance.mostly(all); k < 0 {
			return v, "", false, "no machine delivered in this window"
		}
	}
	m, q := machines[k], r.balance.flow[k]
	if q.V <= 0 {
		return v, "", false, "the flow of " + r.balance.machines[k] + " is not known"
	}
	power := func(name string) (gum.Value, bool) {
		v, ok := m.values[name]
		return v.Scaled(wattsPerKW), ok
	}
	switch m.g.sp.control {
	case sitefile.LoadUnload, sitefile.StartStop:
		loaded, ok := power("power_loaded")
		if !ok {
			return v, "", false, "what a cubic metre less would save is not known: loaded power: " + m.figures["power_loaded"].Absent
		}
		words = fmt.Sprintf("loaded power of %s over its flow", r.balance.machines[k])
		if m.g.sp.control == sitefile.LoadUnload {
			idle, ok := power("power_unloaded_mean")
			if !ok {
				return v, "", false, "what a cubic metre less would save is not known: unloaded power: " + m.figures["power_unloaded_mean"].Absent
			}
			loaded = loaded.Minus(idle)
			words = fmt.Sprintf("loaded less unloaded power of %s over its flow", r.balance.machines[k])
			// In quiet hours it runs for the leaks alone.
			if idles = r.running > 0; idles {
				words += ", without what it idles in quiet hours for the leaks alone"
			}
		}
		return loaded.Over(q), words, idles, ""
	case sitefile.VariableSpeed:
		specific, ok := m.values["specific_power"]
		if !ok {
			return v, "", false, "what a cubic metre less would save is not known: " + m.figures["specific_power"].Absent
		}
		const perM3 = wattsPerKW * 60 // of kW/(m³/min)
		return specific.Scaled(perM3),
			fmt.Sprintf("mean specific power of %s, a variable-speed machine", r.balance.machines[k]), false, ""
	}
	return v, "", false, fmt.Sprintf("%s is %s: its power hardly falls with its flow, so that what a cubic metre less would save is not known", r.balance.machines[k], m.g.sp.control)
}

// mostly is the machine that delivered most in the minutes; -1: none did.
func (b *airBalance) mostly(minutes []int) int {
	best, most := -1, 0.0
	for k := range b.flow {
		var s float64
		for _, i := range minutes {
			s += float64(b.minutes[i].fullS[k] * b.flow[k].V)
		}
		if s > most {
			best, most = k, s
		}
	}
	return best
}

// dayHours are sums by the hour of the local day, of one type of day.
type dayHours struct {
	weight  [24]float64 // Σ p·t·price, Pa·s·money/kWh
	minutes [24]int
}

// day is the mean of a whole day; ok is false where too little of one was seen.
func (d *dayHours) day() (weight float64, ok bool) {
	seen := 0
	for h, n := range d.minutes {
		if n > 0 {
			seen++
			weight += float64(d.weight[h] / float64(n) * 60)
		}
	}
	return weight * 24 / float64(max(seen, 1)), seen >= leastDayTypeHours
}

// priceLeak is Σ p·t·price over a year, and says what it assumes. What leaks while
// no machine delivers is paid for when one makes it up.
func (b *airBalance) priceLeak(site *sitefile.Site) (year float64, words, absent string, atLeast bool) {
	cal := newCalendar(site)
	var on, off dayHours
	waiting := 0.0
	workday := byDay[bool]{}
	for i := range b.minutes {
		m := &b.minutes[i]
		if !m.hasPressure {
			waiting = 0
			continue
		}
		day, minute := cal.clock.dayAndMinute(m.startMS)
		of := &off
		if *workday.on(day, func(date time.Time) bool { return works(site, date) }) {
			of = &on
		}
		of.minutes[minute/60]++
		waiting += b.leakedIn(i, site.BarometerPa)
		if !m.delivering {
			continue
		}
		p := cal.price(m.startMS)
		if p < 0 {
			return 0, "", "the tariff has no price for " + millis(m.startMS).In(site.Location).Format("Mon 15:04"), false
		}
		of.weight[minute/60] += float64(waiting * site.Tariff.Energy[p].PerKWh)
		waiting = 0
	}
	return yearOf(site, &on, &off)
}

// works reports whether a shift begins on the date; without shifts all days are
// alike.
func works(site *sitefile.Site, date time.Time) bool {
	if len(site.Shifts) == 0 {
		return true
	}
	off := site.OffShiftOn(date)
	for _, o := range off {
		if !o {
			return true
		}
	}
	return false
}

// yearOf puts the two types of day together.
func yearOf(site *sitefile.Site, on, off *dayHours) (year float64, words, absent string, atLeast bool) {
	workdays := daysPerYear
	if len(site.Shifts) > 0 {
		week := 0.0
		for day := range 7 {
			// Any week without a holiday: weeks_per_year counts those.
			if works(&sitefile.Site{Shifts: site.Shifts, Location: time.UTC}, time.Date(2026, time.March, 1+day, 12, 0, 0, 0, time.UTC)) {
				week++
			}
		}
		workdays = min(daysPerYear, week*site.WeeksPerYear)
	}
	onDay, okOn := on.day()
	offDay, okOff := off.day()
	if !okOn {
		return 0, "", "the window has no workday of which most hours were observed", false
	}
	year = float64(onDay * workdays)
	words = fmt.Sprintf("each hour of the day at its mean pressure and price in this window, for %.0f workdays", workdays)
	switch rest := daysPerYear - workdays; {
	case rest < 1:
	case okOff:
		year += float64(offDay * rest)
		words += fmt.Sprintf(" and %.0f other days", rest)
	default:
		words += fmt.Sprintf(" (the window has no whole day off: the other %.0f days are left out)", rest)
		atLeast = true
	}
	return year, words + " a year", "", atLeast
}
