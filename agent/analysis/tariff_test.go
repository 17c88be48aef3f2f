package analysis

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// minutely is a site whose one meter says once a minute whether the machine
// runs and is loaded, what it draws, and what the whole plant draws.
func minutely(t testing.TB, zone string) *sitefile.Site {
	t.Helper()
	loc, err := time.LoadLocation(zone)
	if err != nil {
		t.Fatal(err)
	}
	site := plant(t)
	const s = time.Minute
	site.Location = loc
	site.Devices = []sitefile.Device{{Name: "meter", Every: s, Map: &sitefile.RegisterMap{Name: "meter", Protocol: "modbus",
		Channels: []sitefile.MapChannel{
			mapChannel(t, "running", scan.MotorRunning, "bit", 1, "1", s),
			mapChannel(t, "loaded", scan.Loaded, "bit", 1, "1", s),
			mapChannel(t, "power", scan.Power, "u16", 0.1, "kW", s),
			mapChannel(t, "plant", "", "u16", 0.1, "kW", s),
		}}}}
	site.Machines[0].Roles = map[scan.Role]string{scan.MotorRunning: "meter.running", scan.Loaded: "meter.loaded", scan.Power: "meter.power"}
	site.Systems[0].Taps = nil
	return site
}

// now is what the meter reads at a minute: kW.
type now struct {
	own, plant float64
	unloaded   bool
}

// meterTape reads every minute from from to to, both included.
func meterTape(t testing.TB, site *sitefile.Site, from, to time.Time, at func(local time.Time) now) *memory {
	t.Helper()
	tp := newTape(site, from.UnixMilli())
	for ms := int64(0); ms <= to.Sub(from).Milliseconds(); ms += 60_000 {
		n := at(from.Add(time.Duration(ms) * time.Millisecond))
		running, loaded := int64(1), int64(1)
		if n.own == 0 {
			running = 0
		}
		if n.own == 0 || n.unloaded {
			loaded = 0
		}
		tp.add("meter", ms, running, loaded, int64(math.Round(n.own*10)), int64(math.Round(n.plant*10)))
	}
	return fold(site, tp.scans)
}

func dayIn(site *sitefile.Site, y int, m time.Month, d int) time.Time {
	return time.Date(y, m, d, 0, 0, 0, 0, site.Location)
}

func table(t testing.TB, all []Table, name string) Table {
	t.Helper()
	i := slices.IndexFunc(all, func(x Table) bool { return x.Name == name })
	if i < 0 {
		t.Fatalf("no table %s", name)
	}
	return all[i]
}

func cell(t testing.TB, tb Table, row, column string) float64 {
	t.Helper()
	i := slices.IndexFunc(tb.Rows, func(r Row) bool { return r.Name == row })
	j := slices.IndexFunc(tb.Columns, func(c Column) bool { return c.Name == column })
	if i < 0 || j < 0 || tb.Rows[i].Values[j] == nil {
		t.Fatalf("table %s has no %q at %q:\n%s", tb.Name, column, row, asJSON(t, tb))
	}
	return *tb.Rows[i].Values[j]
}

func near(t testing.TB, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: %.9g, want %.9g ± %g", what, got, want, tolerance)
	}
}

func window(from, until string) []sitefile.WeekWindow {
	minute := func(s string) int {
		var h, m int
		if _, err := fmt.Sscanf(s, "%d:%d", &h, &m); err != nil {
			panic(err)
		}
		return 60*h + m
	}
	return []sitefile.WeekWindow{{Days: [7]bool{true, true, true, true, true, true, true}, FromMinute: minute(from), UntilMinute: minute(until), Text: from + "-" + until}}
}

func months(_ string, all ...time.Month) *sitefile.DateSet {
	set := &sitefile.DateSet{}
	for _, m := range all {
		set[m] = 1<<32 - 2
	}
	return set
}

// TestPricesOnLocalDays: 36 kW all day, the hours before six at half the price.
// By hand: six such hours on a plain day, five on the day whose second hour is
// left out, seven on the one where it comes twice. Chicago changes on the second
// Sunday of March and the first of November; Adelaide, half an hour off the
// hour, on the first of October and of April (time zone data base).
func TestPricesOnLocalDays(t *testing.T) {
	for _, c := range []struct {
		zone         string
		y            int
		m            time.Month
		d            int
		night, hours float64
	}{
		{"America/Chicago", 2026, 3, 8, 5, 23},
		{"America/Chicago", 2026, 11, 1, 7, 25},
		{"America/Chicago", 2026, 6, 2, 6, 24},
		{"Australia/Adelaide", 2026, 10, 4, 5, 23},
		{"Australia/Adelaide", 2026, 4, 5, 7, 25},
		{"Asia/Kathmandu", 2026, 6, 2, 6, 24}, // three quarters off the hour
	} {
		t.Run(fmt.Sprint(c.zone, c.m), func(t *testing.T) {
			site := minutely(t, c.zone)
			site.Shifts = window("7:00", "16:00")
			site.Tariff.Energy = []sitefile.EnergyPrice{{Period: sitefile.Period{Name: "day"}, PerKWh: 0.10}, {Period: sitefile.Period{Name: "night", When: window("0:00", "6:00")}, PerKWh: 0.05}}
			site.Tariff.Demand = []sitefile.DemandCharge{{Window: time.Hour}}
			from := dayIn(site, c.y, c.m, c.d)
			to := from.AddDate(0, 0, 1)
			near(t, "hours", to.Sub(from).Hours(), c.hours, 0)
			m := meterTape(t, site, from.Add(-time.Minute), to, func(time.Time) now { return now{own: 36} })
			rep := mustCompute(t, m, site, from.UnixMilli(), to.UnixMilli())
			check(t, figureOf(t, rep, "energy"), 36*c.hours, 1e-9)
			check(t, figureOf(t, rep, "energy_cost"), 36*(0.05*c.night+0.10*(c.hours-c.night)), 1e-9)
			check(t, figureOf(t, rep, "energy_off_shift"), 36*(c.hours-9), 1e-9)
			check(t, figureOf(t, rep, "peak_demand"), 36, 1e-9)
			periods := table(t, rep.Machines[0].Tables, "energy_by_period")
			near(t, "night", cell(t, periods, "night", "energy"), 36*c.night, 1e-9)
			near(t, "observed by night", cell(t, periods, "night", "observed"), 3600*c.night, 0)
			near(t, "day", cell(t, periods, "day", "cost"), 3.6*(c.hours-c.night), 1e-9)
			near(t, "all", cell(t, periods, "all", "cost"), 36*(0.05*c.night+0.10*(c.hours-c.night)), 1e-9)
		})
	}
}

// TestSeasonsAndHolidays: a week over the end of September, a holiday in it, at
// 10 kW. 2026-09-28 is a Monday; the holiday, the Tuesday, counts as a Sunday.
// By hand: summer (Mon, Tue, Wed): two peaks of 6 h at 0.30 and 60 h at 0.20;
// then 96 h of winter at 0.10.
func TestSeasonsAndHolidays(t *testing.T) {
	site := minutely(t, "America/Chicago")
	peak := window("12:00", "18:00")
	peak[0].Days[time.Sunday], peak[0].Days[time.Saturday] = false, false
	summer := months("Jun-Sep", 6, 7, 8, 9)
	site.Tariff.Holidays.Once = map[string]bool{"2026-09-29": true}
	site.Tariff.Energy = []sitefile.EnergyPrice{
		{Period: sitefile.Period{Name: "summer peak", When: peak, Dates: summer}, PerKWh: 0.30},
		{Period: sitefile.Period{Name: "winter"}, PerKWh: 0.10},
		{Period: sitefile.Period{Name: "summer", Dates: summer}, PerKWh: 0.20},
	}
	site.Shifts, site.Holidays = peak, site.Tariff.Holidays
	from := dayIn(site, 2026, 9, 28)
	to := from.AddDate(0, 0, 7)
	m := meterTape(t, site, from.Add(-time.Minute), to, func(time.Time) now { return now{own: 10} })
	rep := mustCompute(t, m, site, from.UnixMilli(), to.UnixMilli())
	check(t, figureOf(t, rep, "energy_cost"), 10*(12*0.30+60*0.20+96*0.10), 1e-9)
	// Shifts on Mon, Wed, Thu and Fri only.
	check(t, figureOf(t, rep, "energy_off_shift"), 10*(168-4*6), 1e-9)
}

// ratchetSite pays 10 a kW by fixed quarter hours, with a ratchet of
// 80 % of 11 months.
func ratchetSite(t *testing.T) (*sitefile.Site, *memory) {
	site := minutely(t, "America/Chicago")
	site.Tariff.Demand = []sitefile.DemandCharge{{Period: sitefile.Period{Name: "all times"}, PerKW: 10, Window: 15 * time.Minute, RatchetShare: 0.8, RatchetMonths: 11}}
	peaks := map[time.Month]float64{time.January: 100, time.February: 50, time.March: 90}
	from, to := dayIn(site, 2026, 1, 1), dayIn(site, 2026, 4, 1)
	return site, meterTape(t, site, from.Add(-time.Minute), to, func(local time.Time) now {
		n := now{own: 20, plant: 120}
		if at := local.Hour()*60 + local.Minute(); local.Day() == 10 && at >= 14*60-1 && at < 15*60 {
			n.own = peaks[local.Month()]
		}
		if at := local.Hour()*60 + local.Minute(); local.Day() == 20 && at >= 14*60-1 && at < 15*60 {
			n = now{own: 30, plant: peaks[local.Month()] * 2, unloaded: true}
		}
		return n
	})
}

// TestRatchetBill works three months' bill by hand. January has peaked at 100
// kW, February at 50: the ratchet asks for 80; March, which has 23 hours on the
// 8th, at 90, over the ratchet's 80.
func TestRatchetBill(t *testing.T) {
	if testing.Short() {
		t.Skip("one goroutine, and slow under the race detector; not under -short")
	}
	site, m := ratchetSite(t)
	for _, c := range []struct {
		name     string
		from, to time.Time
		money    float64
		atLeast  bool
	}{
		{"January: nothing recorded before it", dayIn(site, 2026, 1, 1), dayIn(site, 2026, 2, 1), 1000, true},
		{"February: 80 kW by the ratchet", dayIn(site, 2026, 2, 1), dayIn(site, 2026, 3, 1), 800, true},
		{"March: its own 90 kW", dayIn(site, 2026, 3, 1), dayIn(site, 2026, 4, 1), 900, true},
		{"all three", dayIn(site, 2026, 1, 1), dayIn(site, 2026, 4, 1), 2700, true},
		{"half of February by days", dayIn(site, 2026, 2, 1), dayIn(site, 2026, 2, 15), 400, true},
		{"a day of March, one of 31 though it has 23 hours", dayIn(site, 2026, 3, 8), dayIn(site, 2026, 3, 9), 900.0 / 31, true},
		{"half a day of January", dayIn(site, 2026, 1, 5), dayIn(site, 2026, 1, 5).Add(12 * time.Hour), 1000.0 / 62, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			f := figureOf(t, mustCompute(t, m, site, c.from.UnixMilli(), c.to.UnixMilli()), "demand_cost")
			check(t, f, c.money, 1e-9)
			if f.AtLeast != c.atLeast {
				t.Errorf("at_least %v: a ratchet that looks back on months before the record leaves the bill open", f.AtLeast)
			}
		})
	}
	site.Tariff.Demand[0].RatchetMonths = 1
	rep := mustCompute(t, m, site, dayIn(site, 2026, 3, 1).UnixMilli(), dayIn(site, 2026, 4, 1).UnixMilli())
	if f := figureOf(t, rep, "demand_cost"); f.AtLeast || *f.Value < 899.9 {
		t.Errorf("with February alone to look back on: %s", asJSON(t, f))
	}
	row := table(t, rep.Machines[0].Tables, "demand_by_month")
	if note := row.Rows[0].Note; !strings.Contains(note, "ratchet asks for 40.0 kW") {
		t.Errorf("note %q", note)
	}
}

// TestPlantMeter: the plant peaks on the 20th, at twice the machine's figures of
// the 10th; the machine, unloaded, then draws 30 kW. By hand: February's 100 kW
// lie under the ratchet of 0.8 · 200 = 160 kW of January, whose window had 30 kW
// of the machine's: 0.8 · 30 · 10 = 240. March's 180 kW set their own bill: 300.
func TestPlantMeter(t *testing.T) {
	if testing.Short() {
		t.Skip("one goroutine, and slow under the race detector; not under -short")
	}
	site, _ := ratchetSite(t)
	site.Tariff.PlantMeter = "meter.plant"
	_, m := ratchetSite(t)
	m = fold(site, m.scans) // with the plant meter folded
	at := func(month time.Month) Report {
		return mustCompute(t, m, site, dayIn(site, 2026, month, 1).UnixMilli(), dayIn(site, 2026, month+1, 1).UnixMilli())
	}
	feb, mar := at(2), at(3)
	check(t, figureOf(t, feb, "demand_cost"), 240, 1e-9)
	check(t, figureOf(t, mar, "demand_cost"), 300, 1e-9)
	check(t, figureOf(t, mar, "peak_demand"), 90, 1e-9)
	check(t, systemFigure(t, mar, "demand_cost"), 300, 1e-9)
	rows := table(t, mar.Machines[0].Tables, "demand_by_month")
	near(t, "the plant's peak", cell(t, rows, "from 2026-03-01, all times", "plant's peak"), 180, 1e-9)
	near(t, "own part", cell(t, rows, "from 2026-03-01, all times", "own part"), 30, 1e-9)
	// At the margin: without the unloaded running the plant would have stood at
	// 150 kW, but the ratchet of January asks for 160: 20 kW less, 200 saved. In
	// February the ratchet takes all.
	margin := table(t, mar.Machines[0].Tables, "savings_at_the_margin")
	near(t, "lower", cell(t, margin, "unloaded running", "lower billed demand"), 20, 1e-9)
	near(t, "saved", cell(t, margin, "unloaded running", "demand cost"), 200, 1e-9)
	margin = table(t, feb.Machines[0].Tables, "savings_at_the_margin")
	near(t, "saved", cell(t, margin, "unloaded running", "demand cost"), 0, 1e-9)
}

// TestDemandWindows: 60 kW for a quarter of an hour from 12:05, else 10. By
// hand: fixed quarter hours see ten and five minutes of it, 43.3 kW; a window
// that rolls on by five minutes all of it; one of ten minutes too; half hours
// 35; in winter, and out of the charge's hours, nothing is charged.
func TestDemandWindows(t *testing.T) {
	if testing.Short() {
		t.Skip("one goroutine, and slow under the race detector; not under -short")
	}
	site := minutely(t, "America/Chicago")
	from, to := dayIn(site, 2026, 2, 1), dayIn(site, 2026, 3, 1)
	m := meterTape(t, site, from.Add(-time.Minute), to, func(local time.Time) now {
		if at := local.Hour()*60 + local.Minute(); local.Day() == 3 && at >= 12*60+4 && at < 12*60+20 {
			return now{own: 60}
		}
		return now{own: 10}
	})
	// The ramps of a minute lie in the windows before and after.
	for _, c := range []struct {
		name   string
		charge sitefile.DemandCharge
		kW     float64
	}{
		{"fixed", sitefile.DemandCharge{Window: 15 * time.Minute}, 10 + 50*10.5/15},
		{"rolling", sitefile.DemandCharge{Window: 15 * time.Minute, Rolling: true}, 60},
		{"ten minutes", sitefile.DemandCharge{Window: 10 * time.Minute}, 60},
		{"half hours", sitefile.DemandCharge{Window: 30 * time.Minute}, 10 + 50*16.0/30},
		{"rolling half hours", sitefile.DemandCharge{Window: 30 * time.Minute, Rolling: true}, 10 + 50*16.0/30},
		{"in other hours", sitefile.DemandCharge{Window: 15 * time.Minute, Period: sitefile.Period{When: window("18:00", "22:00")}}, 10},
	} {
		t.Run(c.name, func(t *testing.T) {
			c.charge.PerKW = 10
			site.Tariff.Demand = []sitefile.DemandCharge{c.charge}
			rep := mustCompute(t, m, site, from.UnixMilli(), to.UnixMilli())
			check(t, figureOf(t, rep, "demand_cost"), 10*c.kW, 1e-9)
		})
	}
	summer := sitefile.DemandCharge{PerKW: 10, Window: 15 * time.Minute, Period: sitefile.Period{Dates: months("Jun-Sep", 6, 7, 8, 9)}}
	site.Tariff.Demand = []sitefile.DemandCharge{summer}
	if f := figureOf(t, mustCompute(t, m, site, from.UnixMilli(), to.UnixMilli()), "demand_cost"); f.Absent == "" {
		t.Errorf("a summer charge in February costs %g", *f.Value)
	}
	// Two charges add up; the billing month from the 15th has its own peak, and
	// half of this window's days each: 14 of 31 and of 28.
	site.Tariff.Demand = []sitefile.DemandCharge{{PerKW: 10, Window: 10 * time.Minute}, summer}
	site.Tariff.BillingDay = 15
	f := figureOf(t, mustCompute(t, m, site, from.UnixMilli(), to.UnixMilli()), "demand_cost")
	check(t, f, 10*(60*14.0/31+10*14.0/28), 1e-9)
	if !f.AtLeast || !strings.Contains(f.Method, "share of its days") {
		t.Errorf("half billing months: %s", asJSON(t, f))
	}
}
