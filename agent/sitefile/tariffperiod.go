package sitefile

import (
	"fmt"
	"strings"
	"time"
)

const (
	monthsForm   = `write it like "Jun-Sep" or "Dec,Jan,Feb"`
	datesForm    = `write it like "Jun 15-Sep 14" or "Dec 24"`
	holidaysForm = `write dates like "2026-12-25", or "Dec 25" for every year`
)

// Period is a part of the year and of the week, in local time.
type Period struct {
	// Name is what a table calls it: as given, else its conditions in words.
	Name  string
	When  []WeekWindow // empty: the whole week
	Dates *DateSet     // nil: the whole year
	Text  string       // the months or dates as written
}

// narrowness ranks periods: of several that hold, the narrowest counts. Hours
// are narrower than seasons.
func (p *Period) narrowness() int {
	n := 0
	if len(p.When) > 0 {
		n = 2
	}
	if p.Dates != nil {
		n++
	}
	return n
}

func (p *Period) onDate(m time.Month, d int) bool { return p.Dates == nil || p.Dates.Has(m, d) }

func (p *Period) onWeek(today, yesterday time.Weekday, minute int) bool {
	if len(p.When) == 0 {
		return true
	}
	for i := range p.When {
		if p.When[i].holds(today, yesterday, minute) {
			return true
		}
	}
	return false
}

// OnDate reports whether the period has any time on the date.
func (p *Period) OnDate(local time.Time) bool { return p.onDate(local.Month(), local.Day()) }

// words names the period by its conditions; entries is how many there are.
func (p *Period) words(entries int) string {
	var parts []string
	for i := range p.When {
		parts = append(parts, p.When[i].Text)
	}
	if p.Text != "" {
		parts = append(parts, p.Text)
	}
	switch {
	case len(parts) > 0:
		return strings.Join(parts, ", ")
	case entries > 1:
		return "other times"
	}
	return "all times"
}

// tariffPeriod reads name, when, months and dates.
func (s *section) tariffPeriod(taken names) Period {
	var p Period
	if s.table.find("name") != nil {
		if p.Name = s.label("name", ""); p.Name != "" {
			taken.add(s, "name", p.Name)
		}
	}
	s.entry("name")
	p.When = s.windows("when")
	for _, w := range p.When {
		if w.FromMinute%quarter != 0 || w.UntilMinute%quarter != 0 {
			s.problem(s.table.find("when").value.at, "when",
				"round it to :00, :15, :30 or :45", "%q is not on quarter hours", w.Text)
		}
	}
	months, dates := s.dateSet("months", monthsForm, (*DateSet).addMonths), s.dateSet("dates", datesForm, (*DateSet).addDates)
	if months != nil && dates != nil {
		s.problem(s.table.find("dates").at, "dates", "keep one of the two", "both months and dates are given")
	}
	if p.Dates = months; dates != nil {
		p.Dates = dates
	}
	for _, key := range []string{"months", "dates"} {
		if p.Dates != nil && s.table.find(key) != nil {
			var texts []string
			for _, v := range s.texts(key) {
				texts = append(texts, v.text)
			}
			p.Text = strings.Join(texts, ", ")
		}
	}
	return p
}

// dateSet reads a text or a list of texts; nil where there is none.
func (s *section) dateSet(key, form string, add func(*DateSet, string) error) *DateSet {
	values := s.texts(key)
	if len(values) == 0 {
		if e := s.table.find(key); e != nil && e.value.kind == kindList && len(e.value.list) == 0 {
			s.problem(e.value.at, key, form+", or leave the key out", "the list is empty")
		}
		return nil
	}
	set := &DateSet{}
	for _, v := range values {
		if err := add(set, v.text); err != nil {
			s.problem(v.at, key, form, "%v", err)
			return nil
		}
	}
	return set
}

// DateSet is a set of days of the year, February 29 among them.
type DateSet [13]uint32 // by month, a bit for each day

// Has reports whether the day is in the set.
func (s *DateSet) Has(m time.Month, d int) bool { return s[m]>>uint(d)&1 == 1 }

// leapYear is any leap year: it has all dates.
const leapYear = 2024

// addRange adds the dates from first to last; over the year's end where last
// comes before first.
func (s *DateSet) addRange(first, last monthDay) {
	at := time.Date(leapYear, first.month, first.day, 0, 0, 0, 0, time.UTC)
	for range 366 {
		s[at.Month()] |= 1 << uint(at.Day())
		if at.Month() == last.month && at.Day() == last.day {
			return
		}
		if at = at.AddDate(0, 0, 1); at.Year() != leapYear {
			at = time.Date(leapYear, 1, 1, 0, 0, 0, 0, time.UTC)
		}
	}
}

// addMonths reads "Jun-Sep" or "Dec,Jan".
func (s *DateSet) addMonths(text string) error {
	for _, part := range strings.Split(strings.ReplaceAll(text, "–", "-"), ",") {
		first, last, isRange := strings.Cut(part, "-")
		from, ok := parseMonth(first)
		if !ok {
			return fmt.Errorf("%q is not a month", strings.TrimSpace(first))
		}
		until := from
		if isRange {
			if until, ok = parseMonth(last); !ok {
				return fmt.Errorf("%q is not a month", strings.TrimSpace(last))
			}
		}
		s.addRange(monthDay{from, 1}, monthDay{until, daysOf(until)})
	}
	return nil
}

// addDates reads "Jun 15-Sep 14" or "Dec 24".
func (s *DateSet) addDates(text string) error {
	first, last, isRange := strings.Cut(strings.ReplaceAll(text, "–", "-"), "-")
	from, err := parseMonthDay(first)
	if err != nil {
		return err
	}
	until := from
	if isRange {
		if until, err = parseMonthDay(last); err != nil {
			return err
		}
	}
	s.addRange(from, until)
	return nil
}

func parseMonth(text string) (time.Month, bool) {
	text = strings.ToLower(strings.TrimSpace(text))
	for m := time.January; m <= time.December; m++ {
		if name := strings.ToLower(m.String()); text == name || text == name[:3] {
			return m, true
		}
	}
	return 0, false
}

func parseMonthDay(text string) (monthDay, error) {
	fields := strings.Fields(text)
	if len(fields) == 2 {
		m, ok := parseMonth(fields[0])
		d, okDay := twoDigits(fields[1])
		if ok && okDay && d >= 1 && d <= daysOf(m) {
			return monthDay{m, d}, nil
		}
	}
	return monthDay{}, fmt.Errorf("%q is not a month and a day", strings.TrimSpace(text))
}

// daysOf is how many days a month can have.
func daysOf(m time.Month) int { return time.Date(leapYear, m+1, 0, 0, 0, 0, 0, time.UTC).Day() }

// eachDate visits every date that a year can have.
func eachDate(visit func(time.Month, int)) {
	for m := time.January; m <= time.December; m++ {
		for d := 1; d <= daysOf(m); d++ {
			visit(m, d)
		}
	}
}

// Holidays are dates of one year or of every year.
type Holidays struct {
	Yearly DateSet
	Once   map[string]bool // by "2006-01-02"
}

// Empty reports whether there is none.
func (h *Holidays) Empty() bool { return h.Yearly == DateSet{} && len(h.Once) == 0 }

// On reports whether the date of t, in t's own zone, is a holiday.
func (h *Holidays) On(t time.Time) bool {
	return h.Yearly.Has(t.Month(), t.Day()) || len(h.Once) > 0 && h.Once[t.Format(time.DateOnly)]
}

func (s *section) holidays(key string) Holidays {
	var h Holidays
	e := s.entry(key)
	if e == nil {
		return h
	}
	list := []*value{e.value}
	if e.value.kind == kindList {
		list = e.value.list
	}
	for _, v := range list {
		if v.kind != kindText && v.kind != kindDate {
			s.wrongKind(v, key, "a date", holidaysForm)
			continue
		}
		if _, err := time.Parse(time.DateOnly, v.text); err == nil {
			if h.Once == nil {
				h.Once = map[string]bool{}
			}
			h.Once[v.text] = true
			continue
		}
		if err := h.Yearly.addDates(v.text); err != nil {
			s.problem(v.at, key, holidaysForm, "%q is not a date", v.text)
		}
	}
	return h
}
