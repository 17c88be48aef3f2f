package sitefile

import (
	"strings"
	"testing"
	"time"
)

func zone(t *testing.T, name string) *time.Location {
	t.Helper()
	loc, err := time.LoadLocation(name)
	if err != nil {
		t.Fatal(err)
	}
	return loc
}

func instant(t *testing.T, rfc3339 string) time.Time {
	t.Helper()
	at, err := time.Parse(time.RFC3339, rfc3339)
	if err != nil {
		t.Fatal(err)
	}
	return at
}

// TestParseTime includes days that daylight saving shortens, lengthens or
// begins oddly; the changes are those of the IANA time zone data base.
func TestParseTime(t *testing.T) {
	const chicago = "America/Chicago"
	now := "2026-03-10T15:30:00Z" // 10:30 CDT, two days after the change
	tests := []struct {
		name, zone, text string
		end              bool
		want             string
	}{
		{"now", chicago, "now", false, now},
		{"instant", chicago, "2026-03-02T07:00:00-06:00", false, "2026-03-02T13:00:00Z"},
		{"instant with milliseconds", chicago, "2026-03-02T07:00:00.250Z", true, "2026-03-02T07:00:00.25Z"},
		{"date", chicago, "2026-03-02", false, "2026-03-02T06:00:00Z"},
		{"date as end", chicago, "2026-03-02", true, "2026-03-03T06:00:00Z"},
		{"day of 23 hours", chicago, "2026-03-08", false, "2026-03-08T06:00:00Z"},
		{"its end", chicago, "2026-03-08", true, "2026-03-09T05:00:00Z"},
		{"end of a day of 25 hours", chicago, "2026-11-01", true, "2026-11-02T06:00:00Z"},
		{"end of a month", chicago, "2026-12-31", true, "2027-01-01T06:00:00Z"},
		{"leap day", "UTC", "2028-02-29", false, "2028-02-29T00:00:00Z"},
		{"midnight skipped", "America/Sao_Paulo", "2018-11-04", false, "2018-11-04T03:00:00Z"},
		{"end before a skipped midnight", "America/Sao_Paulo", "2018-11-03", true, "2018-11-04T03:00:00Z"},
		{"midnight twice: the first", "America/Havana", "2025-11-02", false, "2025-11-02T04:00:00Z"},
		{"day that never was", "Pacific/Apia", "2011-12-30", false, "2011-12-30T10:00:00Z"},
		{"far east", "Pacific/Kiritimati", "2026-03-02", false, "2026-03-01T10:00:00Z"},
		{"far west", "Pacific/Pago_Pago", "2026-03-02", false, "2026-03-02T11:00:00Z"},
		{"age in minutes", chicago, "-90m", false, "2026-03-10T14:00:00Z"},
		{"age in hours", chicago, "-12h", false, "2026-03-10T03:30:00Z"},
		{"age in seconds", chicago, "-30s", true, "2026-03-10T15:29:30Z"},
		{"age in local days over the change", chicago, "-7d", false, "2026-03-03T16:30:00Z"},
		{"the same in UTC", "UTC", "-7d", false, "2026-03-03T15:30:00Z"},
		{"weeks", "UTC", "-2w", false, "2026-02-24T15:30:00Z"},
		{"no age", "UTC", "-0d", false, now},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got, err := ParseTime(tt.text, instant(t, now), zone(t, tt.zone), tt.end)
			if err != nil || !got.Equal(instant(t, tt.want)) {
				t.Errorf("ParseTime(%q): got %v, %v; want %s", tt.text, got.UTC(), err, tt.want)
			}
		})
	}
	for text, says := range map[string]string{
		"": `"-7d"`, "yesterday": `"now"`, "2026-13-01": "not a time", "2026-02-30": "not a time", "-": "not a time",
		"-d": "not an age", "-7": "not an age", "-7y": "the unit is", "-1.5h": "whole number", "--7d": "not an age",
		"-99999999d": "hundred years", "-4294967295w": "hundred years", "-7é": "not an age",
		"0206-03-02": "in the year 206", "9999-12-31": "from 1970 to 2200", "-36000d": "in the year 1927",
	} {
		if _, err := ParseTime(text, instant(t, now), time.UTC, false); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("ParseTime(%q): got %v, want an error that says %q", text, err, says)
		}
	}
}

func TestWindows(t *testing.T) {
	// 2026-03-02 is a Monday.
	tests := []struct {
		text, local string
		want        bool
	}{
		{"Mon-Fri 07:00-16:00", "2026-03-02T07:00:00Z", true},
		{"Mon-Fri 07:00-16:00", "2026-03-02T06:59:59Z", false},
		{"Mon-Fri 07:00-16:00", "2026-03-02T15:59:59Z", true},
		{"Mon-Fri 07:00-16:00", "2026-03-02T16:00:00Z", false},
		{"Mon-Fri 07:00-16:00", "2026-03-07T10:00:00Z", false},
		{"Sat,Sun 22:00-06:00", "2026-03-07T23:00:00Z", true},
		{"Sat,Sun 22:00-06:00", "2026-03-07T05:00:00Z", false},
		{"Sat,Sun 22:00-06:00", "2026-03-08T05:59:00Z", true},
		{"Sat,Sun 22:00-06:00", "2026-03-09T05:59:00Z", true},
		{"Sat,Sun 22:00-06:00", "2026-03-09T06:00:00Z", false},
		{"Sat,Sun 22:00-06:00", "2026-03-09T22:30:00Z", false},
		{"daily 00:00-24:00", "2026-03-04T00:00:00Z", true},
		{"daily 00:00-24:00", "2026-03-04T23:59:59Z", true},
		{"daily 22:00-00:00", "2026-03-04T23:00:00Z", true},
		{"daily 22:00-00:00", "2026-03-04T00:30:00Z", false},
		{"fri-mon 6:00-7:00", "2026-03-08T06:30:00Z", true},
		{"fri-mon 6:00-7:00", "2026-03-04T06:30:00Z", false},
		{"Mon–Wed,Fri 07:00–08:00", "2026-03-06T07:30:00Z", true},
		{"Mon–Wed,Fri 07:00–08:00", "2026-03-05T07:30:00Z", false},
	}
	for _, tt := range tests {
		w, err := parseWindow(tt.text)
		if err != nil {
			t.Errorf("%q: %v", tt.text, err)
			continue
		}
		if got := w.Contains(instant(t, tt.local)); got != tt.want || w.Text != tt.text {
			t.Errorf("%q at %s: got %v, want %v", tt.text, tt.local, got, tt.want)
		}
	}
	for _, text := range []string{"", "Mon-Fri", "07:00-16:00", "Mon 07:00", "Mon 07:00-07:00", "Mon 24:00-06:00", "Mon 07:60-08:00",
		"Mon 07:00-24:01", "Mo 07:00-08:00", "Mon, Tue 07:00-08:00", "Mon- 07:00-08:00", "Mon 7-8", "Mon 007:00-08:00", "Mon -1:00-08:00"} {
		if w, err := parseWindow(text); err == nil {
			t.Errorf("%q: got %+v, want an error", text, w)
		}
	}
}

// TestOffShift: shifts are local. 12:30 UTC is 06:30 in Chicago in winter and
// 07:30 in summer.
func TestOffShift(t *testing.T) {
	s := loadJoinery(t)
	for at, want := range map[string]bool{
		"2026-03-06T12:30:00Z": true, "2026-03-09T12:30:00Z": false,
		"2026-03-06T21:59:00Z": false, "2026-03-06T22:00:00Z": true, "2026-03-08T15:00:00Z": true,
	} {
		if got := offShift(s, instant(t, at)); got != want {
			t.Errorf("%s: got %v, want %v", at, got, want)
		}
	}
}

// What is no time is repeated in short.
func TestLongTimes(t *testing.T) {
	for _, text := range []string{strings.Repeat("9", 60_000), "2026-03-02T07:00:00." + strings.Repeat("0", 60_000) + "Z", "-" + strings.Repeat("1", 60_000) + "d"} {
		if _, err := ParseTime(text, time.Now(), time.UTC, false); err == nil || len(err.Error()) > 200 {
			t.Errorf("%.20q… is answered %.300v", text, err)
		}
	}
}
