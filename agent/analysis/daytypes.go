package analysis

import (
	"slices"
	"time"

	"loadscribe/agent/sitefile"
)

// Names of day types where there is no need for more.
const (
	workday = "workday"
	offDay  = "off-day"
)

// dayTypes tells local dates apart by the hours in which the site's shifts fall
// on them. A site without shifts is taken to work from Monday to Friday.
type dayTypes struct {
	site  *sitefile.Site
	clock localClock
	days  byDay[dayKind]
	known []*[1440]bool // the patterns seen, each a day type
	names []string
}

type dayKind struct {
	name string
	off  [1440]bool
}

// newDayTypes names the types in the order of a week without holidays.
func newDayTypes(site *sitefile.Site) *dayTypes {
	d := &dayTypes{site: site, clock: localClock{loc: site.Location}}
	plain := *site
	plain.Holidays = sitefile.Holidays{}
	for i := range 7 {
		d.name(&plain, anyMonday.AddDate(0, 0, i))
	}
	return d
}

// anyMonday is any Monday, at noon.
var anyMonday = time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)

// of is the local date, the hour of the clock, the day type, and whether a
// shift takes most of the hour that begins at a time.
func (d *dayTypes) of(at int64) (date int64, hour int, name string, shift bool) {
	date, minute := d.clock.dayAndMinute(at)
	kind := d.days.on(date, func(day time.Time) dayKind {
		off := d.site.OffShiftOn(day)
		return dayKind{name: d.name(d.site, day), off: off}
	})
	worked := 0
	for m := minute; m < min(minute+60, len(kind.off)); m++ {
		if !kind.off[m] {
			worked++
		}
	}
	return date, minute / 60, kind.name, len(d.site.Shifts) > 0 && worked >= 30
}

func (d *dayTypes) name(site *sitefile.Site, day time.Time) string {
	if len(site.Shifts) == 0 {
		if w := day.Weekday(); w == time.Saturday || w == time.Sunday {
			return offDay
		}
		return workday
	}
	off := site.OffShiftOn(day)
	for i, known := range d.known {
		if *known == off {
			return d.names[i]
		}
	}
	name := offDay
	for _, o := range off {
		if o {
			continue
		}
		if name = workday; d.has(workday) {
			name = "day like " + day.Weekday().String()
		}
		break
	}
	d.known, d.names = append(d.known, &off), append(d.names, name)
	return name
}

func (d *dayTypes) has(name string) bool {
	return slices.Contains(d.names, name)
}

// perYear is how many days of each type a year has: the site's weeks of work as
// its shifts say, the rest off-days.
func (d *dayTypes) perYear() map[string]float64 {
	plain := *d.site
	plain.Holidays = sitefile.Holidays{}
	weeks := d.site.WeeksPerYear
	if weeks <= 0 || weeks > daysPerYear/7 {
		weeks = daysPerYear / 7
	}
	days := map[string]float64{}
	for i := range 7 {
		days[d.name(&plain, anyMonday.AddDate(0, 0, i))] += weeks
	}
	days[offDay] += daysPerYear - float64(7*weeks)
	return days
}

// yearTypes are the names of perYear in a fixed order.
func (d *dayTypes) yearTypes() []string {
	var names []string
	for i := range 7 {
		plain := *d.site
		plain.Holidays = sitefile.Holidays{}
		if n := d.name(&plain, anyMonday.AddDate(0, 0, i)); !slices.Contains(names, n) {
			names = append(names, n)
		}
	}
	return names
}
