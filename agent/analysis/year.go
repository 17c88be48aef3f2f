package analysis

import (
	"fmt"
	"math"
	"strings"

	"loadscribe/agent/baseline"
	"loadscribe/agent/sitefile"
)

// YearNames are the figures of a year in their order.
func YearNames() []string {
	return []string{"energy_year", "energy_unloaded_year", "energy_cost_year", "unloaded_cost_year", "demand_cost_year", "cost_year", "air_year", "emissions_year"}
}

const billsPerYear = 12

// BillsIn is how often a year's bills hold what a window [fromMS, toMS), Unix ms, has
// of its billing months' charges: a year has twelve charges, whatever the months' lengths.
func BillsIn(site *sitefile.Site, fromMS, toMS int64) float64 {
	return billsPerYear / site.BillingMonths(millis(fromMS), millis(toMS))
}

// YearOf is what one machine or system would use in a year of days like those of
// the window [fromMS, toMS): each hour of the clock at its mean, by the day types and
// numbers of days by which Compare brings a saving to a year. hours are the subject's
// (HoursOf), figures its figures of the same window; both are only read.
//
// The interval has the instruments, by the window's figures, and how days of one type
// differ: Student's t of the scatter pooled over the types, since two off-days alone
// would tell next to nothing. What another season or other orders would bring is in
// no record of one window: the method says that it is left out.
func YearOf(site *sitefile.Site, hours Hours, figures []Figure, fromMS, toMS int64) []Figure {
	y := &yearMaker{site: site, rows: hours.Rows, of: map[string]*Figure{}, fromMS: fromMS, toMS: toMS}
	for i := range figures {
		y.of[figures[i].Name] = &figures[i]
	}
	if hours.Whole > 0 {
		y.coverage = float64(len(hours.Rows)) / float64(hours.Whole)
	}
	y.absent = y.gather(hours)
	y.energies()
	y.money()
	y.sum("air_year", "air_delivered", "m³", func(h *Hour) (float64, bool) {
		if h.AirM3 == nil {
			return 0, false
		}
		return *h.AirM3, true
	})
	if t := &site.Tariff; t.EmissionsProvided {
		y.sum("emissions_year", "emissions", "kg", func(h *Hour) (float64, bool) { return h.EnergyJ * t.EmissionsKgPerJ, true })
	} else {
		y.none("emissions_year", "no emission factor in the site file")
	}
	return y.out
}

type yearMaker struct {
	site         *sitefile.Site
	rows         []Hour
	of           map[string]*Figure // of the window
	fromMS, toMS int64
	coverage     float64
	types        []yearType
	absent       string // why nothing of a year can be told
	words        string // what a year is taken to be
	short        string // which days are left out
	out          []Figure
}

// yearType is a day type, and on how many days of a year it is met.
type yearType struct {
	name string
	days float64
}

// gather numbers the days of a year and says why there is no year.
func (y *yearMaker) gather(hours Hours) (absent string) {
	kinds := newDayTypes(y.site)
	perYear := kinds.perYear()
	names := kinds.yearTypes()
	var words []string
	for _, name := range names {
		y.types = append(y.types, yearType{name, perYear[name]})
		words = append(words, fmt.Sprintf("%.4g like its %s", perYear[name], plural(name)))
	}
	y.words = fmt.Sprintf("a year is taken to have days like this window's, %s (weeks_per_year = %g in the site file, the other days as off-days), each hour of the clock at its mean in this window; how a week, a season or a year differs from this window is not in the interval",
		strings.Join(words, ", "), y.site.WeeksPerYear)
	switch {
	case y.toMS-y.fromMS < weekMS-2*hourMS: // in the week in which clocks go forward an hour is missing
		return fmt.Sprintf("a year is told from one whole week or more, and this window is %s", inWords(y.toMS-y.fromMS))
	case hours.Whole == 0 || len(y.rows) == 0:
		return "no hour of this window was observed enough"
	}
	for _, t := range y.types {
		if n := y.clockHours(t.name); n < leastDayTypeHours {
			return fmt.Sprintf("of the window's %s %d of the day's 24 hours were observed enough, and a year needs %d", plural(t.name), n, leastDayTypeHours)
		}
	}
	// A site that works every day has no off-day in its week, but perhaps in its year.
	if rest, has := perYear[offDay], containsType(y.types, offDay); !has && rest >= 1 {
		if y.clockHours(offDay) >= leastDayTypeHours {
			y.types = append(y.types, yearType{offDay, rest})
		} else {
			y.short = fmt.Sprintf("the %.0f days of the weeks not worked are left out: the window has no such day", rest)
		}
	}
	return ""
}

// plural is a day type in a sentence: "workdays", "Fridays".
func plural(dayType string) string {
	if rest, ok := strings.CutPrefix(dayType, "day like "); ok {
		return rest + "s"
	}
	return dayType + "s"
}

func containsType(types []yearType, name string) bool {
	for _, t := range types {
		if t.name == name {
			return true
		}
	}
	return false
}

// clockHours is how many hours of the clock were seen of a day type.
func (y *yearMaker) clockHours(name string) (n int) {
	var seen [24]bool
	for i := range y.rows {
		if h := &y.rows[i]; h.DayType == name && !seen[h.ClockHour] {
			seen[h.ClockHour] = true
			n++
		}
	}
	return n
}

func (y *yearMaker) energies() {
	y.sum("energy_year", "energy", "kWh", func(h *Hour) (float64, bool) { return h.EnergyJ / joulesPerKWh, true })
	y.sum("energy_unloaded_year", "energy_unloaded", "kWh", func(h *Hour) (float64, bool) {
		if h.UnloadedJ == nil {
			return 0, false
		}
		return *h.UnloadedJ / joulesPerKWh, true
	})
}

// money prices each hour at the mean of the prices of its quarters, and adds demand.
func (y *yearMaker) money() {
	t := &y.site.Tariff
	names := []string{"energy_cost_year", "unloaded_cost_year", "demand_cost_year", "cost_year"}
	if t.Currency == "" || len(t.Energy) == 0 {
		y.none("energy_cost_year", "no energy price in the site file")
		y.none("unloaded_cost_year", "no energy price in the site file")
		y.none("demand_cost_year", "no energy price in the site file")
		y.none("cost_year", "no energy price in the site file")
		return
	}
	cal := newCalendar(y.site)
	price := map[int64]float64{}
	for i := range y.rows {
		at := y.rows[i].StartMS
		for q := range int64(4) {
			p := cal.price(at + q*cellMS)
			if p < 0 {
				for _, name := range names {
					y.none(name, "the tariff has no price for "+millis(at+q*cellMS).In(y.site.Location).Format("Mon 15:04"))
				}
				return
			}
			price[at] += float64(t.Energy[p].PerKWh / 4)
		}
	}
	energy := y.sum("energy_cost_year", "energy_cost", t.Currency, func(h *Hour) (float64, bool) {
		return float64(h.EnergyJ / joulesPerKWh * price[h.StartMS]), true
	})
	y.sum("unloaded_cost_year", "energy_unloaded", t.Currency, func(h *Hour) (float64, bool) {
		if h.UnloadedJ == nil {
			return 0, false
		}
		return float64(*h.UnloadedJ / joulesPerKWh * price[h.StartMS]), true
	})
	demand := y.demand(t.Currency)
	y.whole(energy, demand)
}

// demand is what the window's share of the demand charges comes to in a year, as a
// replay takes it.
func (y *yearMaker) demand(currency string) Figure {
	const name = "demand_cost_year"
	f := y.of["demand_cost"]
	switch {
	case y.absent != "":
		return y.none(name, y.absent)
	case f == nil || f.Value == nil:
		return y.none(name, y.why("demand_cost"))
	}
	years := BillsIn(y.site, y.fromMS, y.toMS)
	out := Figure{Name: name, Value: number64(*f.Value * years), Unit: currency, Level: stated, Coverage: f.Coverage,
		AtLeast: f.AtLeast, AtLeastWhy: f.AtLeastWhy, Inputs: f.Inputs, Method: "the window's share of the billing months' demand charges, brought to the twelve of a year, all alike: " + f.Method}
	if f.Uncertainty != nil {
		out.Uncertainty = number64(*f.Uncertainty * years)
	}
	y.out = append(y.out, out)
	return out
}

// whole is energy and demand together. One meter measures both: their errors add.
func (y *yearMaker) whole(energy, demand Figure) {
	const name = "cost_year"
	if energy.Value == nil {
		y.none(name, energy.Absent)
		return
	}
	f := energy
	f.Name = name
	f.Method = "energy of a year at the prices of its hours; no charge for demand: " + demand.Absent
	if demand.Value != nil {
		f.Value = number64(*energy.Value + *demand.Value)
		f.Method = "energy of a year at the prices of its hours, and the demand charges all year like those of the window"
		f.Uncertainty = nil
		if energy.Uncertainty != nil && demand.Uncertainty != nil {
			f.Uncertainty = number64(*energy.Uncertainty + *demand.Uncertainty)
		}
		f.AtLeast = energy.AtLeast || demand.AtLeast
		f.AtLeastWhy = strings.Trim(energy.AtLeastWhy+"; "+demand.AtLeastWhy, "; ")
	}
	f.Method += "; " + y.words
	y.out = append(y.out, f)
}

func (y *yearMaker) none(name, why string) Figure {
	f := Figure{Name: name, Absent: why}
	y.out = append(y.out, f)
	return f
}

// why is why the window lacks a figure.
func (y *yearMaker) why(of string) string {
	if f := y.of[of]; f != nil && f.Absent != "" {
		return f.Absent
	}
	return of + " is not known of this window"
}

// sum is what an amount of each hour comes to in a year; of is the window's figure
// that its instruments' uncertainty and its reasons are taken from.
func (y *yearMaker) sum(name, of, unit string, each func(*Hour) (float64, bool)) Figure {
	f := y.of[of]
	switch {
	case f == nil || f.Value == nil:
		return y.none(name, y.why(of))
	case y.absent != "":
		return y.none(name, y.absent)
	}
	v, scatter, free, lacking := y.total(each)
	if lacking != "" {
		return y.none(name, fmt.Sprintf("%s was not told in enough hours of the window's %s", of, plural(lacking)))
	}
	out := Figure{Name: name, Value: &v, Unit: unit, Level: stated, Coverage: &y.coverage, Inputs: f.Inputs,
		Method: fmt.Sprintf("%s of the window's hours, brought to a year: %s", of, y.words)}
	switch {
	case free < 1:
		out.Note = "without an interval: of no day type has the window two days, so that nothing shows how days differ"
	case f.Uncertainty != nil:
		half := scatter * baseline.Quantile(stated, free)
		if *f.Value != 0 {
			half = quad(half, v**f.Uncertainty / *f.Value)
		}
		out.Uncertainty = &half
	}
	out.AtLeastWhy = f.AtLeastWhy
	if y.short != "" {
		out.AtLeastWhy = strings.Trim(f.AtLeastWhy+"; "+y.short, "; ")
	}
	out.AtLeast = out.AtLeastWhy != ""
	y.out = append(y.out, out)
	return out
}

// total weighs the means of the hours of the clock by day type. scatter is its
// standard uncertainty by how whole days of a type differ, with free degrees of
// freedom; lacking names a day type of which too little is known.
func (y *yearMaker) total(each func(*Hour) (float64, bool)) (v, scatter, free float64, lacking string) {
	var squares, spread float64 // Σ of the days' residuals, Σ N²/n
	for _, t := range y.types {
		var sum [24]float64
		var n [24]int
		for i := range y.rows {
			if h := &y.rows[i]; h.DayType == t.name {
				if x, ok := each(h); ok {
					sum[h.ClockHour] += x
					n[h.ClockHour]++
				}
			}
		}
		day, seen, hours := 0.0, 0, 0
		for c := range sum {
			if n[c] > 0 {
				day += sum[c] / float64(n[c])
				seen++
				hours += n[c]
			}
		}
		if seen < leastDayTypeHours {
			return 0, 0, 0, t.name
		}
		v += float64(t.days * day * 24 / float64(seen))
		days, off := y.residuals(t.name, each, &sum, &n)
		squares += off
		free += float64(max(days-1, 0))
		spread += float64(t.days*t.days) * 24 / float64(hours)
	}
	if free >= 1 {
		scatter = math.Sqrt(squares / free * spread)
	}
	return v, scatter, free, ""
}

// residuals are how many days of a type were seen for most of their hours, and the
// sum of the squares by which they differ from the mean day.
func (y *yearMaker) residuals(name string, each func(*Hour) (float64, bool), sum *[24]float64, n *[24]int) (days int, squares float64) {
	var off float64
	hours := 0
	end := func() {
		if hours >= leastDayTypeHours {
			days++
			off *= 24 / float64(hours)
			squares += float64(off * off)
		}
		off, hours = 0, 0
	}
	for i := range y.rows {
		h := &y.rows[i]
		if i > 0 && h.Date != y.rows[i-1].Date {
			end()
		}
		if x, ok := each(h); ok && h.DayType == name {
			off += x - sum[h.ClockHour]/float64(n[h.ClockHour])
			hours++
		}
	}
	end()
	return days, squares
}
