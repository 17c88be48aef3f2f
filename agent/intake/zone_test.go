package intake

import (
	"fmt"
	"strings"
	"testing"
	"time"
	_ "time/tzdata"
)

// The rules are published: in the United States clocks go forward at 02:00 on
// the second Sunday of March and back at 02:00 on the first of November (Energy
// Policy Act of 2005, section 110); in the European Union they change at 01:00
// UTC on the last Sundays of March and October (Directive 2000/84/EC): from
// memory. Lord Howe Island changes by half an hour. The zones are those of the
// IANA data base as Go reads it.
func TestHoursOfDaylightSaving(t *testing.T) {
	for _, tt := range []struct {
		zone, wall string
		want       string // UTC times, the earlier first
	}{
		{"America/Chicago", "2025-11-02 00:59:59", "05:59:59"},
		{"America/Chicago", "2025-11-02 01:00:00", "06:00:00 07:00:00"},
		{"America/Chicago", "2025-11-02 01:59:59", "06:59:59 07:59:59"},
		{"America/Chicago", "2025-11-02 02:00:00", "08:00:00"},
		{"America/Chicago", "2026-03-08 01:59:59", "07:59:59"},
		{"America/Chicago", "2026-03-08 02:00:00", ""},
		{"America/Chicago", "2026-03-08 02:59:59", ""},
		{"America/Chicago", "2026-03-08 03:00:00", "08:00:00"},
		{"Europe/Berlin", "2026-10-25 01:59:59", "23:59:59"},
		{"Europe/Berlin", "2026-10-25 02:30:00", "00:30:00 01:30:00"},
		{"Europe/Berlin", "2026-10-25 03:00:00", "02:00:00"},
		{"Europe/Berlin", "2026-03-29 02:15:00", ""},
		{"Australia/Lord_Howe", "2026-04-05 01:45:00", "14:45:00 15:15:00"},
		{"UTC", "2026-10-25 02:30:00", "02:30:00"},
		{"+01:00", "2026-10-25 02:30:00", "01:30:00"},
		{"-06:00", "2026-03-08 02:30:00", "08:30:00"},
		{"Etc/GMT+6", "2026-03-08 02:30:00", "08:30:00"}, // the IANA sign is the other way round
	} {
		loc, err := location(tt.zone)
		if err != nil {
			t.Fatal(err)
		}
		wall, err := time.Parse(time.DateTime, tt.wall)
		if err != nil {
			t.Fatal(err)
		}
		// what is remembered of a period must not matter
		warm := zoneClock{loc: loc}
		for _, days := range []int{-90, 90, -10, 10, 0} {
			warm.at(wall.AddDate(0, 0, days).Unix())
		}
		for name, z := range map[string]*zoneClock{"cold": {loc: loc}, "warm": &warm} {
			times, n := z.at(wall.Unix())
			var got []string
			for _, s := range times[:n] {
				got = append(got, time.Unix(s, 0).UTC().Format(time.TimeOnly))
			}
			if strings.Join(got, " ") != tt.want {
				t.Errorf("%s in %s, %s: got %q, want %q", tt.wall, tt.zone, name, got, tt.want)
			}
		}
	}
}

// Every minute of two years, both ways: what the clock shows at a time leads
// back to that time, as package time reckons it.
func TestEveryMinuteLeadsBack(t *testing.T) {
	for _, zone := range []string{"America/Chicago", "Europe/Berlin", "Australia/Lord_Howe", "Africa/Casablanca"} {
		loc, err := time.LoadLocation(zone)
		if err != nil {
			t.Fatal(err)
		}
		z := zoneClock{loc: loc}
		start := time.Date(2025, 1, 1, 0, 0, 0, 0, time.UTC)
		for m := range 2 * 365 * 24 * 12 {
			at := start.Add(time.Duration(m) * 5 * time.Minute)
			_, offset := at.In(loc).Zone()
			times, n := z.at(at.Unix() + int64(offset))
			if n < 1 || times[0] != at.Unix() && (n < 2 || times[1] != at.Unix()) {
				t.Fatalf("%s: %s is shown at %v (%d)", zone, at, times, n)
			}
		}
	}
}

// wallRows are rows of a clock on a wall, one a minute or so.
func wallRows(stamps ...string) string {
	var b strings.Builder
	b.WriteString("time,P\n")
	for i, s := range stamps {
		fmt.Fprintf(&b, "%s,%d\n", s, i)
	}
	return b.String()
}

const wallMapping = `[[logger]]
name = "l"
files = ["p*.csv"]
[logger.time]
format = "YYYY-MM-DD hh:mm"
zone = "America/Chicago"
ambiguous = %q
[[logger.column]]
name = "P"
channel = "power.power"
`

// minuteBench is the bench with rows up to half an hour apart.
func minuteBench(t *testing.T, every string) *bench {
	b := newBench(t)
	b.write("site.toml", strings.ReplaceAll(benchSite, `every = "10s"`, fmt.Sprintf("every = %q", every)))
	b.load()
	return b
}

// Hand-worked: Chicago is UTC-5 in summer and UTC-6 in winter.
func TestDoubledHour(t *testing.T) {
	halves := []string{"2025-11-02 00:30", "2025-11-02 01:00", "2025-11-02 01:30", "2025-11-02 01:00", "2025-11-02 01:30", "2025-11-02 02:00"}
	for _, tt := range []struct {
		name, ambiguous, every string
		stamps                 []string
		want                   string // UTC, hours and minutes
		says                   string
	}{
		{"in order", "order", "30min", halves, "05:30 06:00 06:30 07:00 07:30 08:00", ""},
		{"hours", "order", "60min", []string{"2025-11-02 00:00", "2025-11-02 01:00", "2025-11-02 01:00", "2025-11-02 02:00"}, "05:00 06:00 07:00 08:00", ""},
		{"begins in it and steps back", "order", "30min", halves[1:], "06:00 06:30 07:00 07:30 08:00", ""},
		{"begins in it", "order", "30min", halves[3:], "", `line 4, column "time": "2025-11-02 02:00" is the first row behind the hour that is there twice`},
		{"lies in it", "order", "30min", halves[3:5], "", "the file lies within the hour that is there twice"},
		{"goes back before it", "order", "30min", []string{"2025-11-02 03:00", "2025-11-02 01:30"}, "", `line 3, column "time": "2025-11-02 01:30" goes back in time`},
		{"a row in disorder", "order", "1min", []string{"2025-11-02 00:59", "2025-11-02 01:00", "2025-11-02 01:02", "2025-11-02 01:01", "2025-11-02 01:03"}, "",
			`line 5, column "time": "2025-11-02 01:01" goes back in time`},
		{"not said", "error", "30min", halves, "", `line 3, column "time": "2025-11-02 01:00" is in the hour that is there twice`},
		{"the earlier", "earlier", "30min", append(halves[:3:3], halves[5]), "05:30 06:00 06:30 08:00", ""},
		{"the later", "later", "30min", append(halves[:3:3], halves[5]), "05:30 07:00 07:30 08:00", ""},
		{"the hour that is missing", "order", "30min", []string{"2026-03-08 01:30", "2026-03-08 02:00"}, "", `line 3, column "time": "2026-03-08 02:00" does not exist in America/Chicago`},
		{"over the missing hour", "error", "30min", []string{"2026-03-08 01:30", "2026-03-08 03:00"}, "07:30 08:00", ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			b := minuteBench(t, tt.every)
			b.write("p.csv", wallRows(tt.stamps...))
			all, report, err := b.scans(fmt.Sprintf(wallMapping, tt.ambiguous))
			if tt.says != "" {
				if err == nil || !strings.Contains(err.Error(), tt.says) {
					t.Fatalf("got %v, want %q in it", err, tt.says)
				}
				if m := mistakeOf(t, err); m.Mend == "" {
					t.Errorf("no mend in %v", err)
				}
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			var got []string
			for i := range all {
				got = append(got, time.UnixMilli(all[i].WallMS).UTC().Format("15:04"))
			}
			if strings.Join(got, " ") != tt.want {
				t.Errorf("got %v, want %v", got, tt.want)
			}
			doubled := int64(0)
			for _, s := range tt.stamps {
				if strings.HasPrefix(s, "2025-11-02 01:") {
					doubled++
				}
			}
			if l := report.Loggers[0]; l.Doubled != doubled || doubled > 0 && !strings.Contains(strings.Join(l.Notes, "\n"), "the hour that is there twice") {
				t.Errorf("%d rows of the doubled hour, want %d; %q", l.Doubled, doubled, l.Notes)
			}
		})
	}
}
