package analysis

import (
	"math"
	"slices"
	"time"

	"loadscribe/agent/sitefile"
)

// shiftSplits are the moments inside [from, to) at which a shift begins or ends
// within a cell, so that the cell must be cut there. Shifts on quarter hours
// give none. Local days have 23, 24 or 25 hours; the calendar knows.
func shiftSplits(site *sitefile.Site, from, to int64) []int64 {
	minutes := map[int]bool{}
	for _, w := range site.Shifts {
		for _, m := range []int{w.FromMinute, w.UntilMinute} {
			if m%15 != 0 {
				minutes[m] = true
			}
		}
	}
	if len(minutes) == 0 {
		return nil
	}
	var all []int64
	day := time.UnixMilli(from).In(site.Location).AddDate(0, 0, -1)
	for {
		y, mo, d := day.Date()
		if time.Date(y, mo, d, 0, 0, 0, 0, site.Location).UnixMilli() >= to {
			break
		}
		for m := range minutes {
			at := time.Date(y, mo, d, 0, m, 0, 0, site.Location).UnixMilli()
			if at > from && at < to {
				all = append(all, at)
			}
		}
		day = day.AddDate(0, 0, 1)
	}
	slices.Sort(all)
	return all
}

const dayMS = 24 * hourMS

// localClock reads the clock on the site's wall. It is quick for times that
// come in order: it asks the zone only where the offset changes.
type localClock struct {
	loc                       *time.Location
	offsetMS, fromMS, untilMS int64 // the offset, and while it holds
}

// at is what the clock shows, as the Unix ms at which a clock in UTC shows it.
func (c *localClock) at(ms int64) int64 {
	if ms < c.fromMS || ms >= c.untilMS {
		t := time.UnixMilli(ms).In(c.loc)
		_, offsetS := t.Zone()
		c.offsetMS = int64(offsetS) * 1000
		c.fromMS, c.untilMS = math.MinInt64, math.MaxInt64
		from, until := t.ZoneBounds()
		if !from.IsZero() {
			c.fromMS = from.UnixMilli()
		}
		if !until.IsZero() {
			c.untilMS = until.UnixMilli()
		}
	}
	return ms + c.offsetMS
}

// byDay keeps what holds on one local date.
type byDay[T any] struct {
	known bool
	day   int64 // days of the clock since 1970-01-01
	value T
}

// on makes the value of a day, given noon of its date in UTC.
func (d *byDay[T]) on(day int64, make func(date time.Time) T) *T {
	if !d.known || d.day != day {
		d.known, d.day, d.value = true, day, make(time.UnixMilli(day*dayMS+dayMS/2).UTC())
	}
	return &d.value
}

// dayAndMinute is the date and the minute that the clock shows.
func (c *localClock) dayAndMinute(ms int64) (day int64, minute int) {
	local := c.at(ms)
	return (local - mod(local, dayMS)) / dayMS, int(mod(local, dayMS) / 60_000)
}

// calendar answers what holds at a moment in local time. Local days have 23, 24
// or 25 hours; prices and shifts go by what the clock shows.
type calendar struct {
	site   *sitefile.Site
	clock  localClock
	prices byDay[[96]int16]
	shifts byDay[[1440]bool]
}

func newCalendar(site *sitefile.Site) *calendar {
	return &calendar{site: site, clock: localClock{loc: site.Location}}
}

// price is the place in the tariff of the price that counts, or -1.
func (c *calendar) price(ms int64) int {
	day, minute := c.clock.dayAndMinute(ms)
	return int(c.prices.on(day, c.site.Tariff.PricesOn)[minute/15])
}

// offShift reports whether nobody works.
func (c *calendar) offShift(ms int64) bool {
	day, minute := c.clock.dayAndMinute(ms)
	return c.shifts.on(day, c.site.OffShiftOn)[minute]
}

// dayShare is how many days of [from, to) the period has, each local day
// counting as one whether it has 23, 24 or 25 hours.
func dayShare(loc *time.Location, p *sitefile.Period, from, to int64) float64 {
	var days float64
	y, m, d := time.UnixMilli(from).In(loc).Date()
	for ; ; d++ {
		begin, end := time.Date(y, m, d, 0, 0, 0, 0, loc), time.Date(y, m, d+1, 0, 0, 0, 0, loc)
		if begin.UnixMilli() >= to {
			return days
		}
		if p.OnDate(begin) {
			part := min(to, end.UnixMilli()) - max(from, begin.UnixMilli())
			days += float64(part) / float64(end.UnixMilli()-begin.UnixMilli())
		}
	}
}

func millis(ms int64) time.Time { return time.UnixMilli(ms) }

// onShift tells which cells lie in the site's shifts; nil where it has none.
func onShift(site *sitefile.Site) func(wallMS int64) bool {
	if len(site.Shifts) == 0 {
		return nil
	}
	cal := newCalendar(site)
	return func(wallMS int64) bool { return !cal.offShift(wallMS) }
}

// shareOff is 1 where all of a stretch is off shift, 0 where none is, and a
// half where its parts differ.
func (c *calendar) shareOff(from, to int64) float64 {
	first := c.offShift(from)
	for at := from - mod(from, 60_000) + 60_000; at < to; at += 60_000 {
		if c.offShift(at) != first {
			return 0.5
		}
	}
	if first {
		return 1
	}
	return 0
}

// pricesIn is the places of the lowest and the highest price that hold in a
// stretch; ok is false where the tariff has none for a part of it.
func (c *calendar) pricesIn(from, to int64) (low, high int, ok bool) {
	low, high = -1, -1
	for at := from; at < to; at = at - mod(at, cellMS) + cellMS {
		p := c.price(at)
		if p < 0 {
			return -1, -1, false
		}
		price := c.site.Tariff.Energy[p].PerKWh
		if low < 0 || price < c.site.Tariff.Energy[low].PerKWh {
			low = p
		}
		if high < 0 || price > c.site.Tariff.Energy[high].PerKWh {
			high = p
		}
	}
	return low, high, low >= 0
}

// mod is the remainder of a division that rounds down.
func mod(a, m int64) int64 {
	r := a % m
	if r < 0 {
		r += m
	}
	return r
}
