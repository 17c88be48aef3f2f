package intake

import (
	"strings"
	"testing"
	"time"
)

func TestStamps(t *testing.T) {
	for _, tt := range []struct {
		format, text, want string // want: RFC 3339 of the wall, or of UTC; or what the error says
	}{
		{"YYYY-MM-DD hh:mm:ss", "2026-03-08 01:02:03", "2026-03-08T01:02:03.000Z"},
		{"YYYY-MM-DD hh:mm:ss", "2026-03-08 01:02:03.5", "2026-03-08T01:02:03.500Z"},
		{"YYYY-MM-DD hh:mm:ss", "2026-03-08 01:02:03,123999", "2026-03-08T01:02:03.123Z"},
		{"DD.MM.YY hh:mm", "25.12.26 23:59", "2026-12-25T23:59:00.000Z"},
		{"M/D/YYYY h:mm:ss AM", "1/2/2026 12:00:00 AM", "2026-01-02T00:00:00.000Z"},
		{"M/D/YYYY h:mm:ss AM", "11/12/2026 12:30:00 pm", "2026-11-12T12:30:00.000Z"},
		{"M/D/YYYY h:mm:ss AM", "11/12/2026 1:30:00 p.m.", "2026-11-12T13:30:00.000Z"},
		{"M/D/YYYY h:mm:ss AM", "11/12/2026 13:30:00 PM", "AM or PM goes with 1 to 12"},
		{"D MMM YYYY hh:mm", "7 Oct 2026 06:00", "2026-10-07T06:00:00.000Z"},
		{"YYYYMMDDhhmmss", "20260229000000", "a date that does not exist"},
		{"YYYYMMDDhhmmss", "20240229000000", "2024-02-29T00:00:00.000Z"},
		{"YYYY-MM-DD hh:mm:ss", "2026-02-30 00:00:00", "a date that does not exist"},
		{"YYYY-MM-DD hh:mm:ss", "2026-13-01 00:00:00", "a date that does not exist"},
		{"YYYY-MM-DD hh:mm:ss", "2026-00-10 00:00:00", "a date that does not exist"},
		{"YYYY-MM-DD hh:mm:ss", "2026-01-10 24:00:00", "no time of day"},
		{"YYYY-MM-DD hh:mm:ss", "2026-01-10 10:60:00", "no time of day"},
		{"YYYY-MM-DD hh:mm:ss", "2026-01-10 10:00", "not a time of that format"},
		{"YYYY-MM-DD hh:mm:ss", "2026-01-10 10:00:00 x", "not a time of that format"},
		{"YYYY-MM-DD hh:mm:ss", "", "not a time of that format"},
		{"YYYY-MM-DD hh:mm:ss", "0026-01-10 10:00:00", "the year 26"},
		{"YYYY-MM-DDThh:mmZ", "2026-01-10T10:00-0530", "2026-01-10T15:30:00.000Z"},
		{"YYYY-MM-DDThh:mmZ", "2026-01-10T10:00+15:00", "not a time of that format"},
		{"rfc3339", "2026-01-10T10:00:00.250+01:00", "2026-01-10T09:00:00.250Z"},
		{"rfc3339", "2026-01-10T10:00:00Z", "2026-01-10T10:00:00.000Z"},
		{"rfc3339", "2026-01-10 10:00:00Z", "not a time of that format"},
		{"unix", "1767225600", "2026-01-01T00:00:00.000Z"},
		{"unix", "1767225600.0625", "2026-01-01T00:00:00.062Z"},
		{"unix", "1767225600000", `is the format "unix-ms"?`},
		{"unix", "-5", "not a time of that format"},
		{"unix-ms", "1767225600999", "2026-01-01T00:00:00.999Z"},
		{"unix-ms", "1767225600", `is the format "unix"?`},
	} {
		p, err := newPattern(tt.format)
		if err != nil {
			t.Fatal(err)
		}
		s, err := p.parse(tt.text)
		if err != nil {
			if !strings.Contains(err.Error(), tt.want) {
				t.Errorf("%q as %s: %v, want %q", tt.text, tt.format, err, tt.want)
			}
			continue
		}
		if got := utcText(s.seconds*1000 + s.ms); got != tt.want {
			t.Errorf("%q as %s: got %s, want %s", tt.text, tt.format, got, tt.want)
		}
	}
}

// Package time is the peer: it reads the same stamps by its own layouts.
func TestStampsAsPackageTimeReadsThem(t *testing.T) {
	for _, f := range []struct{ format, layout string }{
		{"YYYY-MM-DD hh:mm:ss", time.DateTime}, {"M/D/YY h:mm AM", "1/2/06 3:04 PM"}, {"D. MMM YYYY hh:mm:ss", "2. Jan 2006 15:04:05"},
		{"YYYYMMDDThhmmssZ", "20060102T150405Z0700"}, {"rfc3339", time.RFC3339Nano},
	} {
		p, err := newPattern(f.format)
		if err != nil {
			t.Fatal(err)
		}
		at := time.Date(2019, 12, 30, 22, 58, 59, 0, time.FixedZone("", 5400))
		for range 1000 {
			at = at.Add(97*time.Hour + 61*time.Minute + 7*time.Second)
			text := at.Format(f.layout)
			want, err := time.Parse(f.layout, text)
			if err != nil {
				t.Fatal(err)
			}
			if got, err := p.parse(text); err != nil || got.seconds != want.Unix() {
				t.Fatalf("%q as %s: got %d, %v, want %d", text, f.format, got.seconds, err, want.Unix())
			}
		}
	}
}

func TestPatternMistakes(t *testing.T) {
	for format, says := range map[string]string{
		"":                         "does not say where",
		"YYYY-MM-DD":               `does not say where 'h' stands`,
		"yyyy-MM-dd HH:mm:ss":      "means nothing",
		"YYYY-MM-DD hh:mm:ss.fff":  "means nothing",
		"YYYY-DD-DD hh:mm":         "is twice",
		"YYYYMDD hh:mm":            "something must stand behind it",
		"YYYYY-MM-DD hh:mm":        "means nothing",
		"YYYY-MM-DD hh:mm Uhr":     "means nothing",
		"YYYY-MM-DD hh:MM:ss":      "is twice",
		"%Y-%m-%d":                 "means nothing",
		"YYYY-MM-DD hh:mm:ss AMAM": "means nothing",
	} {
		if _, err := newPattern(format); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("%q: got %v, want %q in it", format, err, says)
		}
	}
}
