package simulator

import (
	"fmt"
	"strconv"
	"strings"
	"time"
)

// Window is a span of local time on some days of the week. A window whose end
// is not after its beginning runs past midnight into the next day.
type Window struct {
	Days   [7]bool // by time.Weekday, the day on which the window begins
	FromS  int     // seconds after local midnight
	UntilS int     // exclusive; 86400 is the end of the day
}

// dayNames are the words for the days, by time.Weekday.
func dayNames() [7]string { return [7]string{"Sun", "Mon", "Tue", "Wed", "Thu", "Fri", "Sat"} }

// ParseWindow reads "Mon-Fri 07:00-16:00", "Sat 08:00-12:00" or "daily
// 22:00-06:00".
func ParseWindow(text string) (Window, error) {
	fail := func(what string) (Window, error) {
		return Window{}, fmt.Errorf("%q: %s; write it like \"Mon-Fri 07:00-16:00\" or \"daily 22:00-06:00\"", text, what)
	}
	days, span, ok := strings.Cut(strings.TrimSpace(text), " ")
	if !ok {
		return fail("days and times are missing")
	}
	var w Window
	first, last, isRange := strings.Cut(days, "-")
	switch {
	case days == "daily":
		w.Days = [7]bool{true, true, true, true, true, true, true}
	default:
		from, ok := dayNumber(first)
		if !ok {
			return fail("unknown day " + strconv.Quote(first))
		}
		until := from
		if isRange {
			if until, ok = dayNumber(last); !ok {
				return fail("unknown day " + strconv.Quote(last))
			}
		}
		for d := from; ; d = (d + 1) % 7 {
			w.Days[d] = true
			if d == until {
				break
			}
		}
	}
	from, until, ok := strings.Cut(strings.TrimSpace(span), "-")
	if !ok {
		return fail("the end time is missing")
	}
	var okFrom, okUntil bool
	w.FromS, okFrom = clockSeconds(from)
	w.UntilS, okUntil = clockSeconds(until)
	if !okFrom || !okUntil || w.FromS == 86400 {
		return fail("times run from 00:00 to 24:00")
	}
	return w, nil
}

func dayNumber(name string) (int, bool) {
	for i, n := range dayNames() {
		if n == name {
			return i, true
		}
	}
	return 0, false
}

func clockSeconds(text string) (int, bool) {
	h, m, ok := strings.Cut(text, ":")
	if !ok || len(h) != 2 || len(m) != 2 {
		return 0, false
	}
	hours, errH := strconv.Atoi(h)
	minutes, errM := strconv.Atoi(m)
	if errH != nil || errM != nil || hours < 0 || minutes < 0 || minutes > 59 || hours*60+minutes > 24*60 {
		return 0, false
	}
	return hours*3600 + minutes*60, true
}

// String writes the window as ParseWindow reads it.
func (w Window) String() string {
	clock := func(s int) string { return fmt.Sprintf("%02d:%02d", s/3600, s/60%60) }
	span := clock(w.FromS) + "-" + clock(w.UntilS)
	first, last, days := 0, 0, 0
	for d := range 7 {
		if w.Days[d] {
			days++
			if !w.Days[(d+6)%7] {
				first = d
			}
			if !w.Days[(d+1)%7] {
				last = d
			}
		}
	}
	names := dayNames()
	switch days {
	case 7:
		return "daily " + span
	case 1:
		return names[first] + " " + span
	}
	return names[first] + "-" + names[last] + " " + span
}

// contains reports whether the window is open at a local weekday and second.
func (w *Window) contains(day time.Weekday, second int) bool {
	if w.FromS < w.UntilS {
		return w.Days[day] && second >= w.FromS && second < w.UntilS
	}
	return w.Days[day] && second >= w.FromS || w.Days[(day+6)%7] && second < w.UntilS
}

// anyContains reports whether one of the windows is open.
func anyContains(windows []Window, day time.Weekday, second int) bool {
	for i := range windows {
		if windows[i].contains(day, second) {
			return true
		}
	}
	return false
}

// InShift reports whether a shift holds, breaks included.
func (s *Scenario) InShift(at time.Time) bool {
	local := at.In(s.Location)
	return anyContains(s.Shifts, local.Weekday(), local.Hour()*3600+local.Minute()*60+local.Second())
}
