package demo

import (
	"fmt"
	"time"

	"loadscribe/simulator"
)

// workdays is how many days of a week the shop works.
const workdays = 5

// Week is the shop's working days, as a site file names them.
func (s *Shop) Week() string {
	if s.story.Week == "" {
		return weekName(time.Monday) // a demo made before weeks could turn
	}
	return s.story.Week
}

// firstWorkday is the day on which the working week begins that holds today:
// Monday, or so many days later that a Saturday or Sunday is its last day. A
// demo that is made on a weekend would show a shop at rest.
func firstWorkday(today time.Weekday) time.Weekday {
	switch today {
	case time.Saturday:
		return time.Tuesday
	case time.Sunday:
		return time.Wednesday
	}
	return time.Monday
}

func weekName(first time.Weekday) string {
	return first.String()[:3] + "-" + ((first + workdays - 1) % 7).String()[:3]
}

// turnWeek moves everything that the scenario does from Monday to Friday to the
// days of the shop's week.
func turnWeek(sc *simulator.Scenario, week string) {
	later := 0
	for weekName(time.Weekday((1+later)%7)) != week {
		if later++; later == 7 {
			return // no five days in a row: the story was edited; the scenario's own week
		}
	}
	turn := func(windows []simulator.Window) {
		for i := range windows {
			days := windows[i].Days
			for d, on := range days {
				windows[i].Days[(d+later)%7] = on
			}
		}
	}
	turn(sc.Shifts)
	turn(sc.Breaks)
	for i := range sc.Machines {
		turn(sc.Machines[i].Schedule)
	}
}

// when is the zone in which a new shop stands, and the first of its working days.
func (o *Options) when(now time.Time) (*time.Location, time.Weekday) {
	if o.Steady {
		zone := tenOClockZone(now)
		return zone, (now.In(zone).Weekday() + 5) % 7 // two days ago
	}
	zone := workingZone(now)
	return zone, firstWorkday(now.In(zone).Weekday())
}

// tenOClockZone is the zone of whole hours where it is between ten and eleven.
// POSIX names count westward.
func tenOClockZone(now time.Time) *time.Location {
	west := now.UTC().Hour() - 10 // -10 to 13
	if west > 12 {
		west -= 24
	}
	zone, err := time.LoadLocation(fmt.Sprintf("Etc/GMT%+d", west))
	if err != nil {
		return time.UTC
	}
	return zone
}

// workingZone is the time zone where it is now nearest to ten o'clock on a
// weekday, so that there is something to see; where none is near, on a weekend.
func workingZone(now time.Time) *time.Location {
	zone, off := nearestZone(now, true)
	if off > 2*time.Hour {
		zone, _ = nearestZone(now, false)
	}
	return zone
}

// nearestZone is the zone nearest to ten o'clock, and how far it is from it; the
// shop's own whenever it is at work there.
func nearestZone(now time.Time, weekday bool) (*time.Location, time.Duration) {
	const home = "America/Chicago"
	names := []string{home, "America/New_York", "America/Los_Angeles", "Pacific/Honolulu", "Pacific/Auckland",
		"Australia/Sydney", "Asia/Tokyo", "Asia/Bangkok", "Asia/Kolkata", "Asia/Dubai", "Europe/Helsinki",
		"Europe/London", "America/Sao_Paulo"}
	best, bestOff := time.UTC, 24*time.Hour
	for _, name := range names {
		zone, err := time.LoadLocation(name)
		if err != nil {
			continue
		}
		local := now.In(zone)
		if day := local.Weekday(); weekday && (day == time.Saturday || day == time.Sunday) {
			continue
		}
		sinceMidnight := time.Duration(local.Hour())*time.Hour + time.Duration(local.Minute())*time.Minute
		off := (sinceMidnight - 10*time.Hour).Abs()
		if name == home && off <= 3*time.Hour {
			off = 0 // at home whenever the shop is at work
		}
		if off < bestOff {
			best, bestOff = zone, off
		}
	}
	return best, bestOff
}
