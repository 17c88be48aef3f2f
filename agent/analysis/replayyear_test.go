package analysis

import (
	"strings"
	"testing"
	"time"

	"loadscribe/agent/sitefile"
)

// TestSlotYears: a machine that takes 20 kW day and night takes 20 kW for all 8766
// hours of a year, though its site works 50 weeks (arithmetic); and a week of 20 kW on
// workdays and 5 kW on other days is 250 and 115.25 days of those. A replay's
// saving is brought to a year by this.
func TestSlotYears(t *testing.T) {
	site := &sitefile.Site{Location: time.UTC, WeeksPerYear: 50}
	from := dayIn(site, 2026, 3, 2)
	year := func(days, skip int, kW func(day int) float64) (kWh float64, words string) {
		var minutes []int64
		slots := make([]float64, days*96)
		for m := range days * 1440 {
			if skip > 0 && m%skip == 0 {
				continue // not observed
			}
			minutes = append(minutes, from.UnixMilli()+int64(m)*minuteMS)
			slots[m/15] += kW(m / 1440)
		}
		years, words := SlotYears(site, from.UnixMilli(), cellMS, len(slots), minutes)
		for i := range years {
			kWh += slots[i] / 60 * years[i]
		}
		return kWh, words
	}
	always := func(int) float64 { return 20 }
	workdays := func(day int) float64 {
		if day%7 < 5 {
			return 20
		}
		return 5
	}
	kWh, words := year(7, 0, always)
	near(t, "a year of 20 kW, kWh", kWh, 20*8766, 1)
	if !strings.Contains(words, "250 like its workdays, 115.2 like its off-days (weeks_per_year = 50") {
		t.Errorf("a year is told as %q", words)
	}
	kWh, _ = year(7, 3, always)
	near(t, "a third not seen, kWh", kWh, 20*8766, 1)
	kWh, _ = year(14, 0, workdays)
	near(t, "two weeks of workdays and off-days, kWh", kWh, 24*(250*20+115.25*5), 1)
	kWh, words = year(1, 0, always) // a workday is not 365 of them
	near(t, "of a workday alone, kWh", kWh, 250*24*20, 1)
	if !strings.Contains(words, "the 115.2 off-days left out") {
		t.Errorf("of a workday alone a year is told as %q", words)
	}

	// One that works every day of 50 weeks has no off-day in its week.
	all, minutes := [7]bool{true, true, true, true, true, true, true}, 24*60
	site.Shifts = []sitefile.WeekWindow{{Days: all, UntilMinute: minutes}}
	kWh, words = year(7, 0, always)
	near(t, "a year of 350 days, kWh", kWh, 20*24*350, 1)
	if !strings.Contains(words, "the 15.25 days not worked left out") {
		t.Errorf("a year is told as %q", words)
	}
}
