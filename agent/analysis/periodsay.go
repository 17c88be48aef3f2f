package analysis

import (
	"fmt"
	"math"
	"path/filepath"
	"strings"
	"time"

	"loadscribe/agent/sitefile"
)

// alikeDays is by how much of a period the shares of a day type may differ before
// it is said.
const alikeDays = 0.02

// leastAlike is the observed share below which what an observed day had may not be
// what a day had (common practice, no source).
const leastAlike = 0.95

// remark says what makes the periods unlike.
func (s *sides) remark(q *PeriodsQuery) {
	p := s.out
	say := func(format string, args ...any) { p.Remarks = append(p.Remarks, fmt.Sprintf(format, args...)) }
	if unlikeDays(&p.First, &p.Second) {
		say("The days are not alike: the first period holds %s, the second %s. What differs may be that; weeks beside weeks do not have it.", dayList(&p.First), dayList(&p.Second))
	}
	for _, side := range []struct {
		name string
		p    *Period
	}{{"first", &p.First}, {"second", &p.Second}} {
		if side.p.Coverage < leastAlike {
			say("Of the %s period %.0f %% was observed: the rest is not in its figures, and may have been otherwise.", side.name, math.Floor(100*side.p.Coverage))
		}
	}
	for _, c := range q.Changes {
		say("The settings changed: %s", c.Text)
		s.apart = s.apart || c.Meters
	}
	for side := range s.made {
		for _, note := range s.made[side].Notes {
			say("Of the %s period: %s", [2]string{"first", "second"}[side], note)
		}
	}
	say("That the two differ does not say why, and is no saving: work, weather and habit differ between any two periods. The command below holds the air equal and says how sure the saving is.")
}

func unlikeDays(a, b *Period) bool {
	share := func(p *Period, name string) float64 {
		all, of := 0.0, 0.0
		for _, d := range p.DayTypes {
			all += d.Days
			if d.Name == name {
				of = d.Days
			}
		}
		return of / all
	}
	for _, p := range []*Period{a, b} {
		for _, d := range p.DayTypes {
			if math.Abs(share(a, d.Name)-share(b, d.Name)) > alikeDays {
				return true
			}
		}
	}
	return false
}

// dayList is like "5 days of the type workday and 2 of the type off-day".
func dayList(p *Period) string {
	var all []string
	for i, d := range p.DayTypes {
		text := fmt.Sprintf("%.3g", d.Days)
		if i == 0 {
			text += map[bool]string{true: " day", false: " days"}[d.Days == 1]
		}
		all = append(all, text+" of the type "+d.Name)
	}
	return listed(all)
}

// listed names all: "a, b and c".
func listed(names []string) string {
	if n := len(names); n > 1 {
		return strings.Join(names[:n-1], ", ") + " and " + names[n-1]
	}
	return strings.Join(names, "")
}

// command is what asks for the saving from the earlier period to the later.
func (s *sides) command(site *sitefile.Site) string {
	before, after := s.spans[0], s.spans[1]
	if after.FromMS < before.FromMS {
		before, after = after, before
	}
	return fmt.Sprintf("loadscribe compare --site %s --before %s --after %s --%s %s", quoted(filepath.Base(site.Path)), periodText(site.Location, before), periodText(site.Location, after),
		s.out.Kind, quoted(s.out.Subject))
}

// periodText writes a period of whole dates as dates.
func periodText(loc *time.Location, s Span) string {
	from, to := time.UnixMilli(s.FromMS).In(loc), time.UnixMilli(s.ToMS).In(loc)
	midnight := func(t time.Time) bool { return t.Equal(time.Date(t.Year(), t.Month(), t.Day(), 0, 0, 0, 0, loc)) }
	if midnight(from) && midnight(to) {
		return from.Format(time.DateOnly) + "/" + to.AddDate(0, 0, -1).Format(time.DateOnly)
	}
	return stamp(s.FromMS) + "/" + stamp(s.ToMS)
}

// quoted is a name as a shell takes it.
func quoted(name string) string {
	if strings.ContainsAny(name, " \"'$&;()*?<>|\\`") {
		return "'" + strings.ReplaceAll(name, "'", `'\''`) + "'"
	}
	return name
}
