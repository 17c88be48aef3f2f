package sitefile

import (
	"fmt"
	"strings"
	"time"
)

const (
	minutesPerDay = 24 * 60
	windowForm    = `write it like "Mon-Fri 07:00-16:00", "Sat,Sun 22:00-06:00" or "daily 00:00-24:00"`
)

// dayNames is indexed by time.Weekday.
var dayNames = [7]string{"sun", "mon", "tue", "wed", "thu", "fri", "sat"}

// ParseWindow reads a window as a site file writes it; the error says how.
func ParseWindow(text string) (WeekWindow, error) {
	w, err := parseWindow(text)
	if err != nil {
		return w, fmt.Errorf("%w: %s", err, windowForm)
	}
	return w, nil
}

// parseWindow reads "Mon-Fri 07:00-16:00", "Sat,Sun 22:00-06:00" or
// "daily 00:00-24:00". A window whose end is before its start runs over
// midnight and belongs to the day on which it starts.
func parseWindow(text string) (WeekWindow, error) {
	w := WeekWindow{Text: text}
	fields := strings.Fields(strings.ReplaceAll(text, "–", "-"))
	if len(fields) != 2 {
		return w, fmt.Errorf("%q is not days and times", text)
	}
	if err := w.parseDays(strings.ToLower(fields[0])); err != nil {
		return w, err
	}
	from, until, ok := strings.Cut(fields[1], "-")
	if !ok {
		return w, fmt.Errorf("%q has no time from-until", text)
	}
	var err error
	if w.FromMinute, err = parseMinute(from); err != nil {
		return w, err
	}
	if w.UntilMinute, err = parseMinute(until); err != nil {
		return w, err
	}
	if w.FromMinute == minutesPerDay {
		return w, fmt.Errorf("a window cannot start at 24:00")
	}
	if w.UntilMinute == 0 {
		w.UntilMinute = minutesPerDay // until midnight
	}
	if w.FromMinute == w.UntilMinute {
		return w, fmt.Errorf("%q starts and ends at the same time; a whole day is 00:00-24:00", text)
	}
	return w, nil
}

func (w *WeekWindow) parseDays(text string) error {
	if text == "daily" {
		for d := range w.Days {
			w.Days[d] = true
		}
		return nil
	}
	for _, part := range strings.Split(text, ",") {
		first, last, isRange := strings.Cut(part, "-")
		from, ok := parseDay(first)
		if !ok {
			return fmt.Errorf("%q is not a day", first)
		}
		until := from
		if isRange {
			if until, ok = parseDay(last); !ok {
				return fmt.Errorf("%q is not a day", last)
			}
		}
		for d := from; ; d = (d + 1) % 7 {
			w.Days[d] = true
			if d == until {
				break
			}
		}
	}
	return nil
}

func parseDay(text string) (day int, ok bool) {
	for d, name := range dayNames {
		if text == name {
			return d, true
		}
	}
	return 0, false
}

// parseMinute reads "07:30" as minutes of the day, up to 24:00.
func parseMinute(text string) (int, error) {
	h, m, ok := strings.Cut(text, ":")
	hour, okHour := twoDigits(h)
	minute, okMinute := twoDigits(m)
	total := hour*60 + minute
	if !ok || !okHour || !okMinute || minute > 59 || total > minutesPerDay {
		return 0, fmt.Errorf("%q is not a time of day from 00:00 to 24:00", text)
	}
	return total, nil
}

func twoDigits(text string) (int, bool) {
	if len(text) == 0 || len(text) > 2 {
		return 0, false
	}
	n := 0
	for i := range len(text) {
		if text[i] < '0' || text[i] > '9' {
			return 0, false
		}
		n = n*10 + int(text[i]-'0')
	}
	return n, true
}

// Contains reports whether the clock on the wall at local, in its own zone,
// lies in the window. It goes by the clock's reading, so an hour that daylight
// saving repeats counts twice and one that it skips does not count.
func (w WeekWindow) Contains(local time.Time) bool {
	return w.holds(local.Weekday(), (local.Weekday()+6)%7, local.Hour()*60+local.Minute())
}

// noDay is a weekday on which no window begins.
const noDay time.Weekday = -1

func (w *WeekWindow) holds(today, yesterday time.Weekday, minute int) bool {
	began := func(day time.Weekday) bool { return day != noDay && w.Days[day] }
	if w.FromMinute < w.UntilMinute {
		return minute >= w.FromMinute && minute < w.UntilMinute && began(today)
	}
	return minute >= w.FromMinute && began(today) || minute < w.UntilMinute && began(yesterday)
}

// OffShiftOn reports of each minute of the clock on the date of day, in the
// site's zone, whether nobody works. A shift does not take place where it begins
// on a holiday. Without shifts it is false: then nothing is known of working time.
func (s *Site) OffShiftOn(day time.Time) (off [minutesPerDay]bool) {
	if len(s.Shifts) == 0 {
		return off
	}
	today, yesterday := s.shiftDays(day)
	for minute := range off {
		off[minute] = s.offAt(today, yesterday, minute)
	}
	return off
}

// shiftDays is the weekday of a date and of the one before; noDay for a holiday.
func (s *Site) shiftDays(local time.Time) (today, yesterday time.Weekday) {
	today, yesterday = local.Weekday(), (local.Weekday()+6)%7
	if s.Holidays.Empty() {
		return today, yesterday
	}
	if s.Holidays.On(local) {
		today = noDay
	}
	y, m, d := local.Date()
	if s.Holidays.On(time.Date(y, m, d-1, 12, 0, 0, 0, time.UTC)) {
		yesterday = noDay
	}
	return today, yesterday
}

func (s *Site) offAt(today, yesterday time.Weekday, minute int) bool {
	for i := range s.Shifts {
		if s.Shifts[i].holds(today, yesterday, minute) {
			return false
		}
	}
	return true
}

// windows reads a list of week windows.
func (s *section) windows(key string) []WeekWindow {
	var all []WeekWindow
	for _, v := range s.texts(key) {
		w, err := parseWindow(v.text)
		if err != nil {
			s.problem(v.at, key, windowForm, "%v", err)
			continue
		}
		all = append(all, w)
	}
	return all
}
