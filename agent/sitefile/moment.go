package sitefile

import (
	"fmt"
	"strconv"
	"time"
)

// ParseTime reads a time as commands and queries write it: RFC 3339, a local
// date (the day's start in loc; as an end the start of the next day, so that
// windows stay half open), "now", or an age before now such as "-7d", "-12h",
// "-90m", "-30s" or "-2w". Days and weeks of an age are local days, which have
// 23, 24 or 25 hours: "-7d" is the same time on the clock a week ago. Years
// outside 1970 to 2200 are errors: one was misspelt, and the far end leaves
// room for sums of milliseconds in 64 bits.
func ParseTime(s string, now time.Time, loc *time.Location, isEnd bool) (time.Time, error) {
	if len(s) > longestTime { // which the errors repeat
		return time.Time{}, fmt.Errorf("%q… is not a time: it has %d characters", s[:20], len(s))
	}
	t, err := parseTime(s, now, loc, isEnd)
	if y := t.UTC().Year(); err == nil && (y < firstYear || y > lastYear) {
		return time.Time{}, fmt.Errorf("%q is in the year %d: use one from %d to %d", s, y, firstYear, lastYear)
	}
	return t, err
}

const firstYear, lastYear = 1970, 2200

// longestTime is more than any time needs, also one of nanoseconds.
const longestTime = 64

func parseTime(s string, now time.Time, loc *time.Location, isEnd bool) (time.Time, error) {
	if s == "now" {
		return now, nil
	}
	if len(s) > 1 && s[0] == '-' {
		return parseAge(s, now, loc)
	}
	if t, err := time.Parse(time.RFC3339, s); err == nil {
		return t, nil
	}
	if t, err := time.Parse(time.DateOnly, s); err == nil {
		y, m, d := t.Date()
		if isEnd {
			d++
		}
		return startOfDay(y, m, d, loc), nil
	}
	return time.Time{}, fmt.Errorf("%q is not a time: write %q, a date like %q, %q or an age like %q",
		s, "2026-03-02T07:00:00Z", "2026-03-02", "now", "-7d")
}

// oldest bounds ages, in days.
const oldest = 36525

func parseAge(s string, now time.Time, loc *time.Location) (time.Time, error) {
	number, unit := s[1:len(s)-1], s[len(s)-1]
	n, err := strconv.ParseUint(number, 10, 32)
	if err != nil {
		return time.Time{}, fmt.Errorf("%q is not an age: write a whole number and s, m, h, d or w, like %q", s, "-90m")
	}
	perDay := map[byte]uint64{'s': 86400, 'm': 1440, 'h': 24, 'd': 1}
	switch {
	case unit == 'w' && n*7 <= oldest:
		return now.In(loc).AddDate(0, 0, -7*int(n)), nil
	case unit == 'd' && n <= oldest:
		return now.In(loc).AddDate(0, 0, -int(n)), nil
	case perDay[unit] > 1 && n <= oldest*perDay[unit]:
		return now.Add(-time.Duration(n) * (24 * time.Hour / time.Duration(perDay[unit]))), nil
	case unit == 'w' || perDay[unit] > 0:
		return time.Time{}, fmt.Errorf("%q is more than a hundred years", s)
	}
	return time.Time{}, fmt.Errorf("%q is not an age: the unit is s, m, h, d or w, as in %q", s, "-7d")
}

// startOfDay is the first instant of a local day. Where daylight saving skips
// midnight that is later than 00:00; where it repeats midnight, the first one.
func startOfDay(y int, m time.Month, d int, loc *time.Location) time.Time {
	utc := time.Date(y, m, d, 0, 0, 0, 0, time.UTC)
	// Zones reach from -12 to +14 hours: these two lie before and after every
	// midnight of that date and give the offsets on both sides of a change.
	var first time.Time
	for _, around := range []time.Duration{-15 * time.Hour, 15 * time.Hour} {
		_, offset := utc.Add(around).In(loc).Zone()
		t := utc.Add(-time.Duration(offset) * time.Second).In(loc)
		h, min, sec := t.Clock()
		if t.Day() == utc.Day() && h+min+sec == 0 && (first.IsZero() || t.Before(first)) {
			first = t
		}
	}
	if !first.IsZero() {
		return first
	}
	_, offset := utc.Add(-15 * time.Hour).In(loc).Zone()
	start, _ := utc.Add(-time.Duration(offset) * time.Second).In(loc).ZoneBounds()
	return start
}
