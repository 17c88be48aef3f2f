package analysis

import "time"

// LocalDay is one date of a site, or the part of it that lies in a window.
type LocalDay struct {
	Date         time.Time // its midnight
	FromMS, ToMS int64     // of it, within the window; Unix ms UTC
}

// Share is how much of the date lies in the window: of a day of 23 hours too.
func (d LocalDay) Share() float64 {
	return float64(d.ToMS-d.FromMS) / float64(d.Length().Milliseconds())
}

// Length is that of the whole date: 23, 24 or 25 hours.
func (d LocalDay) Length() time.Duration { return d.Date.AddDate(0, 0, 1).Sub(d.Date) }

// LocalDays are the dates that a window touches, in their order.
func LocalDays(loc *time.Location, fromMS, toMS int64) (all []LocalDay) {
	if toMS <= fromMS {
		return nil
	}
	y, m, d := time.UnixMilli(fromMS).In(loc).Date()
	for {
		date := time.Date(y, m, d, 0, 0, 0, 0, loc)
		next := time.Date(y, m, d+1, 0, 0, 0, 0, loc)
		if date.UnixMilli() >= toMS {
			return all
		}
		if next.UnixMilli() > fromMS {
			all = append(all, LocalDay{date, max(fromMS, date.UnixMilli()), min(toMS, next.UnixMilli())})
		}
		d++
	}
}
