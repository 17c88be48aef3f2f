package analysis

import (
	"fmt"
	"strings"

	"loadscribe/agent/sitefile"
)

// SlotYears is how often a year holds each slot of a window that begins at fromMS, by
// the day types and numbers of days of YearOf: each hour of the clock of each type
// counts as often as a year has it, shared by the minutes of it that are there (starts
// of minutes, Unix ms). Days of a type of which too little is there are left out. Nil:
// all are, and words say so; else words are what a year is taken to be.
func SlotYears(site *sitefile.Site, fromMS, slotMS int64, slots int, minutes []int64) (years []float64, words string) {
	kinds := newDayTypes(site)
	perYear, names := kinds.perYear(), kinds.yearTypes()
	seen := map[string]*[24]float64{} // minutes
	for _, at := range minutes {
		_, hour, name, _ := kinds.of(at)
		if seen[name] == nil {
			seen[name] = &[24]float64{}
		}
		seen[name][hour]++
	}
	told := map[string]float64{} // hours of the clock
	for name, of := range seen {
		for _, n := range of {
			if n > 0 {
				told[name]++
			}
		}
	}
	var said []string
	some := false
	for _, name := range names {
		if told[name] < leastDayTypeHours {
			said = append(said, fmt.Sprintf("the %.4g %s left out, since too little of one is there", perYear[name], plural(name)))
			delete(perYear, name)
			continue
		}
		some = true
		said = append(said, fmt.Sprintf("%.4g like its %s", perYear[name], plural(name)))
	}
	if !some {
		return nil, "of no type of day enough is there"
	}
	if rest := perYear[offDay]; !kinds.has(offDay) && len(site.Shifts) > 0 && rest >= 1 {
		if told[offDay] >= leastDayTypeHours {
			said = append(said, fmt.Sprintf("%.4g like its off-days", rest))
		} else {
			delete(perYear, offDay)
			said = append(said, fmt.Sprintf("the %.4g days not worked left out, since none is there", rest))
		}
	}
	years = make([]float64, slots)
	for i := range years {
		_, hour, name, _ := kinds.of(fromMS + int64(i)*slotMS)
		if of := seen[name]; of != nil && of[hour] > 0 {
			years[i] = perYear[name] * 60 / of[hour] * 24 / told[name]
		}
	}
	return years, fmt.Sprintf("%s (weeks_per_year = %g in the site file)", strings.Join(said, ", "), site.WeeksPerYear)
}

// EnergyMoney is what the energy of slots costs, J, without demand.
func (p *SlotPricer) EnergyMoney(slotJ []float64) (money float64) {
	for i := range min(len(slotJ), len(p.perKWh)) {
		money += float64(slotJ[i] / joulesPerKWh * p.perKWh[i])
	}
	return money
}
