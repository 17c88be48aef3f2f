package analysis

import (
	"math"
	"testing"
	"time"

	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
)

// TestHourIsTheWindow: an hour's row has the figures of the same window, for the
// machine and for the system.
func TestHourIsTheWindow(t *testing.T) {
	site := plant(t)
	src := fold(site, handWorked(t).scans)
	rep := mustCompute(t, src, site, monday, monday+hourMS)
	for _, q := range []HoursQuery{{Machine: "comp1"}, {System: "main"}} {
		q.FromMS, q.ToMS, q.NowMS, q.LeastCoverage = monday-hourMS/2, monday+hourMS, farFuture, 0.9
		h, err := HoursOf(src, site, q)
		if err != nil {
			t.Fatal(err)
		}
		if len(h.Rows) != 1 || h.Whole != 1 || h.LeftOut != 0 {
			t.Fatalf("%+v: %d rows, %d whole, %d left out; want 1, 1, 0", q, len(h.Rows), h.Whole, h.LeftOut)
		}
		r := &h.Rows[0]
		check(t, figureOf(t, rep, "energy"), r.EnergyJ/joulesPerKWh, 1e-9)
		check(t, figureOf(t, rep, "air_delivered"), *r.AirM3, 1e-9)
		check(t, figureOf(t, rep, "loaded_time"), r.LoadedS, 1e-9)
		check(t, figureOf(t, rep, "unloaded_time"), r.UnloadedS, 1e-9)
		if r.LoadedS < 1190 || r.LoadedS > 1210 { // worked by hand: twice 600 s
			t.Errorf("loaded %g s, want 1200", r.LoadedS)
		}
		if r.StartMS != monday || r.ClockHour != 0 || r.DayType != workday || r.Shift {
			t.Errorf("row %+v: want Monday's first hour, a workday, no shift", r)
		}
	}
	if _, err := HoursOf(src, site, HoursQuery{Machine: "comp9"}); err == nil {
		t.Error("hours of a machine that is not there")
	}
}

// TestHourLeftOut: an hour of which a third was not observed is left out where
// more is wanted; where it is not, its energy and air are brought to the whole
// hour.
func TestHourLeftOut(t *testing.T) {
	site := plant(t)
	delete(site.Machines[0].Roles, scan.Energy) // which would count over the gap
	tp := newTape(site, monday)
	for sec := int64(0); sec <= 3600; sec++ {
		if sec > 1200 && sec < 2400 {
			tp.bad("controller", sec*1000, scan.Timeout)
			tp.bad("meter", sec*1000, scan.Timeout)
			continue
		}
		tp.add("controller", sec*1000, 1, 1, 0, 0, 6500, 41)
		tp.add("meter", sec*1000, 360, 0)
	}
	src := fold(site, tp.scans)
	q := HoursQuery{Machine: "comp1", FromMS: monday, ToMS: monday + hourMS, NowMS: farFuture, LeastCoverage: 0.95}
	h, err := HoursOf(src, site, q)
	if err != nil {
		t.Fatal(err)
	}
	if len(h.Rows) != 0 || h.LeftOut != 1 {
		t.Errorf("%d rows, %d left out; want none and 1", len(h.Rows), h.LeftOut)
	}
	q.LeastCoverage = 0.5
	if h, err = HoursOf(src, site, q); err != nil || len(h.Rows) != 1 {
		t.Fatalf("%d rows, %v; want 1", len(h.Rows), err)
	}
	if kWh := h.Rows[0].EnergyJ / joulesPerKWh; math.Abs(kWh-36) > 0.1 {
		t.Errorf("energy of an hour at 36 kW, a third unseen: %.2f kWh, want 36", kWh)
	}
}

// TestDayTypes: a site with a short Saturday and a holiday, in a zone with
// daylight saving.
func TestDayTypes(t *testing.T) {
	loc, err := time.LoadLocation("America/Chicago")
	if err != nil {
		t.Fatal(err)
	}
	site := plant(t)
	site.Location, site.WeeksPerYear = loc, 50
	site.Shifts = []sitefile.WeekWindow{mustWindow(t, "Mon-Fri 07:00-16:00"), mustWindow(t, "Sat 07:00-11:00")}
	site.Holidays = sitefile.Holidays{Once: map[string]bool{"2026-03-11": true}}
	d := newDayTypes(site)
	for _, tt := range []struct {
		at    string
		name  string
		hour  int
		shift bool
	}{
		{"2026-03-09T07:00:00-05:00", workday, 7, true},
		{"2026-03-09T06:00:00-05:00", workday, 6, false},
		{"2026-03-11T08:00:00-05:00", offDay, 8, false}, // the holiday
		{"2026-03-14T08:00:00-05:00", "day like Saturday", 8, true},
		{"2026-03-15T08:00:00-05:00", offDay, 8, false},
		{"2026-03-08T03:00:00-05:00", offDay, 3, false}, // the hour after the one that is missing
	} {
		at, err := time.Parse(time.RFC3339, tt.at)
		if err != nil {
			t.Fatal(err)
		}
		if _, hour, name, shift := d.of(at.UnixMilli()); name != tt.name || hour != tt.hour || shift != tt.shift {
			t.Errorf("%s: %s, hour %d, shift %v; want %s, %d, %v", tt.at, name, hour, shift, tt.name, tt.hour, tt.shift)
		}
	}
	year := d.perYear()
	if year[workday] != 250 || year["day like Saturday"] != 50 || math.Abs(year[offDay]-65.25) > 1e-9 {
		t.Errorf("days of a year %v; want 250 workdays, 50 Saturdays, 65.25 off-days", year)
	}
}

func mustWindow(t *testing.T, text string) sitefile.WeekWindow {
	t.Helper()
	w, err := sitefile.ParseWindow(text)
	if err != nil {
		t.Fatal(err)
	}
	return w
}

// countedSource counts how often summaries are asked for.
type countedSource struct {
	Source
	asked int
}

func (c *countedSource) Pieces(key string, fromMS, toMS int64) ([]store.Piece, error) {
	c.asked++
	return c.Source.Pieces(key, fromMS, toMS)
}

// TestHoursOfDecades: of half a century in which one hour was recorded the rest
// costs a question for each stretch of days, not a sheet for each hour.
func TestHoursOfDecades(t *testing.T) {
	site := plant(t)
	src := &countedSource{Source: fold(site, handWorked(t).scans)}
	from := time.Date(1974, 3, 4, 0, 0, 0, 0, time.UTC).UnixMilli()
	q := HoursQuery{System: "main", FromMS: from, ToMS: monday + hourMS, NowMS: farFuture, LeastCoverage: 0.9}
	h, err := HoursOf(src, site, q)
	if err != nil {
		t.Fatal(err)
	}
	whole := int((q.ToMS - q.FromMS) / hourMS)
	if len(h.Rows) != 1 || h.Rows[0].StartMS != monday || h.Whole != whole || h.LeftOut != whole-1 {
		t.Fatalf("%d rows, %d whole, %d left out; want 1, %d, %d", len(h.Rows), h.Whole, h.LeftOut, whole, whole-1)
	}
	if most := 2*whole/(8*24) + 20; src.asked > most {
		t.Errorf("asked %d times for summaries, want at most %d", src.asked, most)
	}
}
