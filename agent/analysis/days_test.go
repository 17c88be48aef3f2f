package analysis

import (
	"math"
	"testing"
	"time"
	_ "time/tzdata"
)

// steady is a machine that runs loaded at a power in kW for a number of seconds
// and one of which it is told again.
func steady(tp *tape, fromS, toS int64, tenthKW func(sec int64) int64) {
	energy := 0.0
	for sec := fromS; sec < toS; sec++ {
		p := tenthKW(sec)
		tp.add("controller", sec*1000, 1, 1, 0, 0, 6500, 41)
		tp.add("meter", sec*1000, p, int64(energy*10))
		energy += float64(p) / 10 / 3600
	}
}

// TestDaysAreTheirWindows: a day's figures are those of its window, its slots add
// up to its states, and the map of the week has the hour's mean power.
func TestDaysAreTheirWindows(t *testing.T) {
	site := plant(t)
	src := fold(site, handWorked(t).scans)
	d, err := DaysOf(src, site, DaysQuery{FromMS: monday - 2*hourMS, ToMS: monday + dayMS, NowMS: monday + hourMS + 1})
	if err != nil {
		t.Fatal(err)
	}
	if d.Kind != "system" || d.Subject != "main" || len(d.Days) != 2 || d.Days[1].Date != "2024-03-04" {
		t.Fatalf("%s %s with %d days, the last %s; want system main, 2, 2024-03-04", d.Kind, d.Subject, len(d.Days), d.Days[len(d.Days)-1].Date)
	}
	day := &d.Days[1]
	rep := mustCompute(t, src, site, monday, monday+hourMS+1)
	for _, f := range day.Figures {
		if want := systemFigure(t, rep, f.Name); asJSON(t, want) != asJSON(t, f) {
			t.Errorf("%s differs from that of its window:\n%s\n%s", f.Name, asJSON(t, f), asJSON(t, want))
		}
	}
	m := &day.Machines[0]
	if day.Slots != 5 || day.SlotsFrom != stamp(monday) {
		t.Errorf("%d slots from %s, want 5 from midnight", day.Slots, day.SlotsFrom)
	}
	for state, want := range map[string]string{"loaded": "loaded_time", "unloaded": "unloaded_time", "standby": "standby_time"} {
		sum := 0.0
		for _, s := range m.States[state] {
			sum += s
		}
		check(t, figureOf(t, rep, want), sum, 1e-9)
	}
	// Worked by hand: loaded from 610 to 1210 s and from 1510 to 2110 s.
	for slot, want := range []float64{290, 600, 310} {
		if got := m.States["loaded"][slot]; math.Abs(got-want) > 1 {
			t.Errorf("slot %d: loaded %g s, want %g", slot, got, want)
		}
	}
	// The mean power of the hour is its energy: 10 s of 20 kW, twice 600 s of 36 kW and
	// 300 s of 12 kW, over 3600 s.
	want := (10*20 + 2*600*36 + 2*300*12) / 3600.0
	for _, c := range d.Energy.Cells {
		if c.Day == 0 && c.Hour == 0 {
			if c.Value == nil || math.Abs(*c.Value-want) > 0.05 || c.From != stamp(monday) {
				t.Errorf("Monday 00: %s, want %.3f kW", asJSON(t, c), want)
			}
			continue
		}
		if c.Value != nil {
			t.Errorf("an hour in which nothing was recorded has a value: %s", asJSON(t, c))
		}
	}
	if n := len(d.Energy.Cells); n != 4 { // 22 and 23 of Sunday, 0 and a millisecond of 1 of Monday
		t.Errorf("%d hours in the map, want 4", n)
	}
}

// TestDaysOfSummerTime: days of 23 and 25 hours, by the tz database (America/Chicago
// 2026: forward on 8 March, back on 1 November; the rule is in 15 U.S.C. 260a, from
// memory).
func TestDaysOfSummerTime(t *testing.T) {
	chicago, err := time.LoadLocation("America/Chicago")
	if err != nil {
		t.Fatal(err)
	}
	for date, hours := range map[string]float64{"2026-03-08": 23, "2026-11-01": 25, "2026-11-02": 24} {
		at, err := time.ParseInLocation(time.DateOnly, date, chicago)
		if err != nil {
			t.Fatal(err)
		}
		days := LocalDays(chicago, at.UnixMilli(), at.AddDate(0, 0, 1).UnixMilli())
		if len(days) != 1 || days[0].Length().Hours() != hours || days[0].Share() != 1 {
			t.Errorf("%s: %+v, want one whole day of %g hours", date, days, hours)
		}
		week := weekOf(chicago, at.UnixMilli(), at.AddDate(0, 0, 1).UnixMilli())
		day, total := (int(at.Weekday())+6)%7, 0.0
		for h := range week[day] {
			total += week[day][h].Hours
		}
		if total != hours {
			t.Errorf("%s: the map holds %g hours, want %g", date, total, hours)
		}
		if twice := week[day][1].Hours; hours == 25 && twice != 2 {
			t.Errorf("%s: the hour from 01:00 is there %g times, want 2", date, twice)
		}
		if skipped := week[day][2].Hours; hours == 23 && skipped != 0 {
			t.Errorf("%s: the hour from 02:00 is there %g times, want none", date, skipped)
		}
	}
}

func TestDaysRefuse(t *testing.T) {
	site := plant(t)
	src := fold(site, handWorked(t).scans)
	for _, c := range []struct {
		name, field string
		q           DaysQuery
	}{
		{"too many", "from", DaysQuery{FromMS: monday, ToMS: monday + 40*dayMS, NowMS: farFuture}},
		{"both", "machine", DaysQuery{Machine: "comp1", System: "main", FromMS: monday, ToMS: monday + dayMS, NowMS: farFuture}},
		{"no such machine", "machine", DaysQuery{Machine: "comp9", FromMS: monday, ToMS: monday + dayMS, NowMS: farFuture}},
		{"no such system", "system", DaysQuery{System: "other", FromMS: monday, ToMS: monday + dayMS, NowMS: farFuture}},
	} {
		if _, err := DaysOf(src, site, c.q); fieldIn(err) != c.field {
			t.Errorf("%s: %v, want one of %q", c.name, err, c.field)
		}
	}
	bare := *site
	bare.Systems, bare.Machines = nil, nil
	if _, err := DaysOf(src, &bare, DaysQuery{FromMS: monday, ToMS: monday + dayMS, NowMS: farFuture}); fieldIn(err) != "machine" {
		t.Errorf("a site without machines: %v", err)
	}
}
