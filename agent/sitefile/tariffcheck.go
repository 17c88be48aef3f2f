package sitefile

import (
	"fmt"
	"time"
)

// checkPrices holds the prices to the whole year: at every quarter hour of
// every kind of day exactly one of them must count.
func (s *section) checkPrices(all []EnergyPrice, places []position, holidays bool) {
	missing := false
	tied := map[[2]int]bool{}
	for _, class := range dateClasses(all) {
		eachQuarter(holidays, func(today, yesterday time.Weekday, minute int) {
			best, rival := -1, -1
			for i := range all {
				p := &all[i].Period
				if !p.onDate(class.month, class.day) || !p.onWeek(today, yesterday, minute) {
					continue
				}
				switch {
				case best < 0 || p.narrowness() > all[best].narrowness():
					best, rival = i, -1
				case p.narrowness() == all[best].narrowness():
					rival = i
				}
			}
			when := func() string {
				return fmt.Sprintf("%s %02d:%02d on %s %d", today.String()[:3], minute/60, minute%60, class.month.String()[:3], class.day)
			}
			switch {
			case best < 0 && !missing:
				missing = true
				s.problem(s.table.find("energy").at, "energy", `add an entry with the price alone: it holds at all other times`,
					"there is no price for %s", when())
			case rival >= 0 && !tied[[2]int{best, rival}]:
				tied[[2]int{best, rival}] = true
				s.problem(places[rival], "energy", "keep them apart, or make one narrower: \"when\" goes before no \"when\", then \"months\" or \"dates\" before neither",
					"for %s the price %g of line %d holds as well as %g", when(), all[best].PerKWh, places[best].line, all[rival].PerKWh)
			}
		})
	}
}

type monthDay struct {
	month time.Month
	day   int
}

// dateClasses is one date of each kind: those that the same entries hold on.
func dateClasses(all []EnergyPrice) []monthDay {
	var classes []monthDay
	seen := map[string]bool{}
	eachDate(func(m time.Month, d int) {
		signature := make([]byte, len(all))
		for i := range all {
			if all[i].onDate(m, d) {
				signature[i] = 1
			}
		}
		if !seen[string(signature)] {
			seen[string(signature)] = true
			classes = append(classes, monthDay{m, d})
		}
	})
	return classes
}

// eachQuarter visits every quarter hour of every kind of day. With holidays,
// which count as Sundays, any day may be one or follow one.
func eachQuarter(holidays bool, visit func(today, yesterday time.Weekday, minute int)) {
	for today := time.Sunday; today <= time.Saturday; today++ {
		before := []time.Weekday{(today + 6) % 7}
		if holidays && before[0] != time.Sunday {
			before = append(before, time.Sunday)
		}
		if holidays && today == time.Sunday {
			before = []time.Weekday{0, 1, 2, 3, 4, 5, 6}
		}
		for _, yesterday := range before {
			for minute := 0; minute < minutesPerDay; minute += quarter {
				visit(today, yesterday, minute)
			}
		}
	}
}
