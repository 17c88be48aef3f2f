package analysis

import (
	"sort"
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
	sort.Slice(all, func(i, j int) bool { return all[i] < all[j] })
	return all
}

// priceAt is the price per kWh at a moment; the last entry that applies counts.
func priceAt(site *sitefile.Site, ms int64) (float64, bool) {
	local := time.UnixMilli(ms).In(site.Location)
	for i := len(site.Tariff.Energy) - 1; i >= 0; i-- {
		e := &site.Tariff.Energy[i]
		if len(e.When) == 0 {
			return e.PerKWh, true
		}
		for _, w := range e.When {
			if w.Contains(local) {
				return e.PerKWh, true
			}
		}
	}
	return 0, false
}

// wholeMonth reports whether the window is exactly one local calendar month.
func wholeMonth(site *sitefile.Site, from, to int64) bool {
	start := time.UnixMilli(from).In(site.Location)
	y, m, _ := start.Date()
	return from == time.Date(y, m, 1, 0, 0, 0, 0, site.Location).UnixMilli() &&
		to == time.Date(y, m+1, 1, 0, 0, 0, 0, site.Location).UnixMilli()
}

func millis(ms int64) time.Time { return time.UnixMilli(ms) }
