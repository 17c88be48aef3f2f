package demo

import (
	"testing"
	"time"

	"loadscribe/simulator"
)

// TestShopIsAtWork asks at every hour of two weeks: whoever makes a demo finds
// a shop at work, by the plant's own calendar and by the site's shifts.
func TestShopIsAtWork(t *testing.T) {
	begin := time.Date(2026, time.November, 23, 0, 30, 0, 0, time.UTC) // a Monday
	for hour := range 14 * 24 {
		now := begin.Add(time.Duration(hour) * time.Hour)
		local := now.In(workingZone(now))
		week := weekName(firstWorkday(local.Weekday()))
		sc, err := simulator.LoadScenario(scenario)
		if err != nil {
			t.Fatal(err)
		}
		if got := sc.Shifts[0].String(); got != "Mon-Fri 07:00-16:00" {
			t.Fatalf("the scenario works %s: the demo's text and site file say 07:00-16:00", got)
		}
		turnWeek(sc, week)
		for what, w := range map[string]simulator.Window{"shift": sc.Shifts[0], "schedule": sc.Machines[0].Schedule[0]} {
			clock := local.Hour()*3600 + local.Minute()*60
			if !w.Days[local.Weekday()] || clock < w.FromS || clock >= w.UntilS {
				t.Errorf("made at %s, the shop's time %s: its %s is %s", now.Format(time.RFC3339), local.Format("Mon 15:04 MST"), what, w)
			}
		}
		if want := week + " 07:00-16:00"; sc.Shifts[0].String() != want {
			t.Errorf("the plant works %s, the site file says %s", sc.Shifts[0], want)
		}
		if now.Weekday() >= time.Tuesday && now.Weekday() <= time.Thursday && week != "Mon-Fri" {
			t.Errorf("made on a %s, the shop works %s", now.Weekday(), week)
		}
	}
}

// TestSteadyShop makes a shop at every hour of two weeks: the day, its place in the
// working week and the hour there are always the same.
func TestSteadyShop(t *testing.T) {
	begin := time.Date(2026, time.November, 23, 0, 59, 0, 0, time.UTC)
	steady := Options{Steady: true}
	for hour := range 14 * 24 {
		now := begin.Add(time.Duration(hour) * time.Hour)
		zone, first := steady.when(now)
		local := now.In(zone)
		if local.Hour() != 10 || local.Minute() != 59 || (local.Weekday()-first+7)%7 != 2 {
			t.Fatalf("made at %s: %s there, of a week from %s", now.Format(time.RFC3339), local.Format("Mon 15:04 MST"), first)
		}
	}
}

// TestTripsOfATurnedWeek holds the faults to working days.
func TestTripsOfATurnedWeek(t *testing.T) {
	to := time.Date(2026, time.November, 29, 15, 0, 0, 0, time.UTC) // a Sunday
	all := trips(to.Add(-week), to, time.UTC, firstWorkday(to.Weekday()))
	var days []string
	for _, trip := range all {
		days = append(days, trip.At.Format("Mon"))
	}
	// Wednesday to Sunday: the first, third and fourth working day.
	if len(days) != 3 || days[0] != "Wed" || days[1] != "Fri" || days[2] != "Sat" {
		t.Errorf("faults on %v", days)
	}
}
