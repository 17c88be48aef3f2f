package sitefile

import (
	"math"
	"os"
	"strings"
	"testing"
	"time"
)

// tariffOf loads the good site with another tariff.
func tariffOf(t *testing.T, tariff string) *Site {
	t.Helper()
	files := goodFiles()
	good := files[inSite]
	from := strings.Index(good, "[tariff]")
	until := from + strings.Index(good[from:], "[[line]]")
	files[inSite] = good[:from] + tariff + "\n" + good[until:]
	s, err := load(inSite, Options{}, memory(files))
	if err != nil {
		t.Fatal(err)
	}
	return s
}

const summerTariff = `[tariff]
currency = "USD"
holidays = ["2024-07-04", "Dec 25"]
billing_day = 15
energy = [
  { price = 0.10 },
  { price = 0.12, months = "Jun-Sep" },
  { price = 0.20, when = "Mon-Fri 12:00-18:00", months = "Jun-Sep", name = "summer peak" },
  { price = 0.15, when = "Mon-Fri 12:00-18:00", dates = ["Oct 1-May 31"] },
  { price = 0.05, when = ["Sat,Sun 22:00-06:00"], months = "Jul" },
]
demand = [
  { price = 10, window = "30m" },
  { price = 5, window = "15m", rolling = true, when = "Mon-Fri 12:00-18:00", months = "Jun-Sep", ratchet = "80 % of 11 months", name = "on-peak" },
]`

// TestPrice reads prices off the tariff by hand. 2024-07-04 was a Thursday,
// 2024-06-03 a Monday.
func TestPrice(t *testing.T) {
	s := tariffOf(t, summerTariff)
	for _, c := range []struct {
		at, why string
		want    float64
	}{
		{"2024-06-03 11:45", "summer, before the peak", 0.12},
		{"2024-06-03 12:00", "summer peak begins", 0.20},
		{"2024-06-03 17:59", "its last minute", 0.20},
		{"2024-06-03 18:00", "over", 0.12},
		{"2024-05-31 12:00", "the day before summer: winter peak", 0.15},
		{"2024-05-31 11:00", "the base price", 0.10},
		{"2024-06-08 12:00", "a Saturday has no peak", 0.12},
		{"2024-07-04 12:00", "nor has a holiday, which counts as a Sunday", 0.12},
		{"2024-07-04 22:00", "the night of a Sunday", 0.05},
		{"2024-07-05 05:45", "the night goes on after the holiday", 0.05},
		{"2024-07-05 06:00", "and ends", 0.12},
		{"2024-12-25 12:00", "a holiday of every year", 0.10},
		{"2025-12-25 12:00", "and the next", 0.10},
		{"2025-07-04 12:00", "a date of one year is a working day in the next", 0.20},
	} {
		local, err := time.ParseInLocation("2006-01-02 15:04", c.at, s.Location)
		if err != nil {
			t.Fatal(err)
		}
		if p := s.Tariff.Price(local); p == nil || p.PerKWh != c.want {
			t.Errorf("%s (%s): %+v, want %g", c.at, c.why, p, c.want)
		}
	}
	if got := s.Tariff.Energy[2].Name + "; " + s.Tariff.Energy[0].Name + "; " + s.Tariff.Energy[3].Name; got !=
		"summer peak; other times; Mon-Fri 12:00-18:00, Oct 1-May 31" {
		t.Errorf("names: %s", got)
	}
}

func TestDemandCharges(t *testing.T) {
	s := tariffOf(t, summerTariff)
	d := s.Tariff.Demand
	if len(d) != 2 || d[0].Window != 30*time.Minute || d[0].Rolling || d[0].RatchetMonths != 0 ||
		d[1].PerKW != 5 || !d[1].Rolling || d[1].RatchetShare != 0.8 || d[1].RatchetMonths != 11 || d[1].Name != "on-peak" {
		t.Fatalf("demand: %+v", d)
	}
	at := func(text string) time.Time {
		local, err := time.ParseInLocation("2006-01-02 15:04", text, s.Location)
		if err != nil {
			t.Fatal(err)
		}
		return local
	}
	for text, want := range map[string]bool{"2024-06-03 12:00": true, "2024-06-03 18:00": false, "2024-05-31 12:00": false, "2024-07-04 12:00": false} {
		if got := s.Tariff.AppliesOn(&d[1], at(text))[at(text).Hour()*4]; got != want {
			t.Errorf("the on-peak charge holds at %s: %v, want %v", text, got, want)
		}
	}
	for text, want := range map[string]string{"2024-07-14 23:59": "2024-06-15", "2024-07-15 00:00": "2024-07-15", "2024-01-03 00:00": "2023-12-15"} {
		from, to := s.BillingMonth(at(text))
		if got := from.Format(time.DateOnly); got != want || !to.Equal(from.AddDate(0, 1, 0)) {
			t.Errorf("%s lies in the billing month from %s to %s, want from %s", text, got, to, want)
		}
	}
}

// TestBillingMonths: a span is as much of a month as the bill's own length makes it,
// also where its clock is set forward or back, and twelve whole ones are a year.
func TestBillingMonths(t *testing.T) {
	files := goodFiles()
	s, err := load(inSite, Options{}, memory(files))
	if err != nil {
		t.Fatal(err)
	}
	s.Tariff.BillingDay = 15
	day := func(text string) time.Time {
		local, err := time.ParseInLocation(time.DateOnly, text, s.Location)
		if err != nil {
			t.Fatal(err)
		}
		return local
	}
	for _, c := range []struct {
		from, to string
		want     float64
	}{
		{"2024-02-15", "2024-03-15", 1},
		{"2024-01-15", "2025-01-15", 12},
		{"2024-06-18", "2024-06-25", 7.0 / 30},
		{"2024-06-12", "2024-06-19", 3.0/31 + 4.0/30},
		{"2024-06-18", "2024-06-18", 0},
	} {
		if got := s.BillingMonths(day(c.from), day(c.to)); math.Abs(got-c.want) > 1e-9 {
			t.Errorf("from %s to %s: %v billing months, want %v", c.from, c.to, got, c.want)
		}
	}
}

// TestShiftsAndHolidays: a shift that begins on a holiday does not take place;
// one that began the evening before runs to its end.
func TestShiftsAndHolidays(t *testing.T) {
	files := goodFiles()
	files[inSite] = strings.Replace(files[inSite], `shifts = ["Mon-Fri 07:00-16:00"]`,
		"shifts = [\"Mon-Fri 07:00-16:00\", \"Mon-Fri 22:00-06:00\"]\nholidays = [2024-07-04]", 1)
	s, err := load(inSite, Options{}, memory(files))
	if err != nil {
		t.Fatal(err)
	}
	for text, want := range map[string]bool{
		"2024-07-03 23:00": false, "2024-07-04 05:59": false, "2024-07-04 08:00": true, "2024-07-04 23:00": true,
		"2024-07-05 03:00": true, "2024-07-05 08:00": false, "2024-07-11 08:00": false,
	} {
		local, err := time.ParseInLocation("2006-01-02 15:04", text, s.Location)
		if err != nil {
			t.Fatal(err)
		}
		if got := offShift(s, local); got != want {
			t.Errorf("off shift at %s: %v, want %v", text, got, want)
		}
	}
}

// TestTariffDocument loads every example of docs/tariff.md.
func TestTariffDocument(t *testing.T) {
	text, err := os.ReadFile("../../docs/tariff.md")
	if err != nil {
		t.Fatal(err)
	}
	blocks := strings.Split(strings.ReplaceAll(string(text), "\r\n", "\n"), "```toml\n")[1:]
	if len(blocks) != 4 {
		t.Fatalf("%d examples, want 4", len(blocks))
	}
	for _, b := range blocks {
		b, _, _ = strings.Cut(b, "```")
		if strings.HasPrefix(b, "[tariff]") {
			if s := tariffOf(t, b); len(s.Warnings) > 0 || len(s.Tariff.Energy) == 0 {
				t.Errorf("%v in\n%s", s.Warnings, b)
			}
			continue
		}
		files := goodFiles()
		good := files[inSite]
		files[inSite] = b + good[strings.Index(good, "[agent]"):]
		s, err := load(inSite, Options{}, memory(files))
		if err != nil || s.Holidays.Empty() {
			t.Errorf("%v in\n%s", err, b)
		}
	}
}
