package simulator

import (
	"fmt"
	"strings"
	"time"
)

// weekS is a week of local time. In a week in which the clocks change, a moment
// stands where the clock on the wall says.
const weekS = 7 * 86400

// Moment is a second of the local week, from Sunday's midnight.
type Moment int

// ParseMoment reads "Tue 10:15" or "Tue 10:15:20".
func ParseMoment(text string) (Moment, error) {
	fail := fmt.Errorf("%q: write a moment of the week like \"Tue 10:15\" or \"Tue 10:15:20\"", text)
	name, clock, ok := strings.Cut(strings.TrimSpace(text), " ")
	if !ok {
		return 0, fail
	}
	day, ok := dayNumber(name)
	if !ok || len(clock) != 5 && len(clock) != 8 {
		return 0, fail
	}
	second, ok := clockSeconds(clock[:5])
	if !ok {
		return 0, fail
	}
	if len(clock) == 8 {
		var s int
		if n, err := fmt.Sscanf(clock[5:], ":%02d", &s); n != 1 || err != nil || s < 0 || s > 59 {
			return 0, fail
		}
		second += s
	}
	if second >= 86400 {
		return 0, fail
	}
	return Moment(day*86400 + second), nil
}

// momentOf is where a local time stands in its week.
func momentOf(local time.Time) Moment {
	h, m, s := local.Clock()
	return Moment(int(local.Weekday())*86400 + h*3600 + m*60 + s)
}

// within reports whether m lies in the half-open span from from to until,
// which may run over the week's end. Equal ends mean always.
func (m Moment) within(from, until Moment) bool {
	if from == until {
		return true
	}
	if from < until {
		return m >= from && m < until
	}
	return m >= from || m < until
}
