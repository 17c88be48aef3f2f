package analysis

import (
	"errors"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"loadscribe/agent/sitefile"
)

// moneyDay is a machine that works like this on a day of the site's clock: loaded at
// 30 kW from 8 to 14, unloaded at 12 kW from 14 to 16, else off; a kWh is 0.10, and
// 0.20 from 12 to 18.
func moneyDay(t *testing.T, zone string, y int, m time.Month, d int) (*sitefile.Site, *memory, time.Time) {
	t.Helper()
	site := minutely(t, zone)
	site.Tariff.Energy = []sitefile.EnergyPrice{{Period: sitefile.Period{Name: "other times"}, PerKWh: 0.10}, {Period: sitefile.Period{Name: "peak", When: window("12:00", "18:00")}, PerKWh: 0.20}}
	site.Tariff.Demand = []sitefile.DemandCharge{{Period: sitefile.Period{Name: "all times"}, PerKW: 10, Window: 15 * time.Minute}}
	from := dayIn(site, y, m, d)
	src := meterTape(t, site, from.Add(-time.Minute), from.AddDate(0, 0, 1), func(at time.Time) now {
		switch h := at.In(site.Location).Hour(); {
		case h >= 8 && h < 14:
			return now{own: 30}
		case h == 14 || h == 15:
			return now{own: 12, unloaded: true}
		}
		return now{}
	})
	return site, src, from
}

// TestMoneyOfADay: by hand, 4 hours of 3.00, 2 of 6.00 and 2 of 2.40 are 28.80, of
// which three hours make half. Each turn of the machine is a straight line of a
// minute, which moves a quarter kWh over an hour's edge. Days of 23 and 25 hours, and
// zones off the hour, as TestPricesOnLocalDays has them.
func TestMoneyOfADay(t *testing.T) {
	for _, c := range []struct {
		zone  string
		y     int
		m     time.Month
		d     int
		hours int
	}{
		{"America/Chicago", 2026, 6, 2, 24},
		{"America/Chicago", 2026, 3, 8, 23},
		{"America/Chicago", 2026, 11, 1, 25},
		{"Australia/Adelaide", 2026, 6, 2, 24},
		{"Asia/Kathmandu", 2026, 6, 2, 24},
	} {
		t.Run(c.zone+c.m.String(), func(t *testing.T) {
			site, src, from := moneyDay(t, c.zone, c.y, c.m, c.d)
			to := from.AddDate(0, 0, 1)
			m, err := MoneyOf(src, site, MoneyQuery{Machine: "comp1", FromMS: from.UnixMilli(), ToMS: to.UnixMilli(), NowMS: farFuture})
			if err != nil {
				t.Fatal(err)
			}
			rep := mustCompute(t, src, site, from.UnixMilli(), to.UnixMilli())
			handMade(t, &m, &rep, c.hours, site.Location)
		})
	}
}

func handMade(t *testing.T, m *Money, rep *Report, hours int, loc *time.Location) {
	t.Helper()
	const minute = 0.26 // money that the ramps of a minute may move
	if len(m.Hours.Rows) != hours || len(m.Hours.Days) != 1 {
		t.Fatalf("%d hours in %d days, want %d in one", len(m.Hours.Rows), len(m.Hours.Days), hours)
	}
	cost, energy := 0.0, 0.0
	for i := range m.Hours.Rows {
		r := &m.Hours.Rows[i]
		at, err := time.Parse(time.RFC3339, r.From)
		if err != nil || at.In(loc).Minute() != 0 {
			t.Errorf("an hour begins at %s: %v", r.From, err)
		}
		want := map[int]float64{8: 3, 9: 3, 10: 3, 11: 3, 12: 6, 13: 6, 14: 2.4, 15: 2.4}[at.In(loc).Hour()]
		near(t, "cost of "+r.From, *r.Cost, want, minute)
		cost, energy = cost+*r.Cost, energy+r.EnergyKWh
	}
	near(t, "all hours", cost, 28.8, 2*minute)
	near(t, "hours against energy_cost", cost, *figureOf(t, *rep, "energy_cost").Value, 1e-9)
	near(t, "hours against energy", energy, *figureOf(t, *rep, "energy").Value, 1e-9)
	near(t, "the day", *m.Hours.Days[0].Cost, cost, 1e-9)
	first := m.Hours.Rows[m.Hours.Dearest[0]]
	if at, _ := time.Parse(time.RFC3339, first.From); m.Hours.HalfHours != 3 || at.In(loc).Hour() != 12 && at.In(loc).Hour() != 13 {
		t.Errorf("%d hours make half, the dearest at %s; want 3, at 12 or 13", m.Hours.HalfHours, first.From)
	}
	near(t, "share of hours", m.Hours.HalfShare, 3/float64(hours), 1e-12)
	for state, want := range map[string][3]float64{"loaded": {24, 12, 12}, "unloaded": {4.8, 0, 4.8}} {
		i := slices.IndexFunc(m.Split.States, func(s MoneyState) bool { return s.State == state })
		if i < 0 {
			t.Fatalf("no state %s in %s", state, asJSON(t, m.Split))
		}
		s := m.Split.States[i]
		near(t, state, *s.Cost, want[0], minute)
		near(t, state+" at other times", s.ByPrice[0].Cost, want[1], minute)
		near(t, state+" at peak", s.ByPrice[1].Cost, want[2], minute)
		near(t, state+" by price", s.ByPrice[0].Cost+s.ByPrice[1].Cost, *s.Cost, 1e-9)
		told := table(t, rep.Machines[0].Tables, "energy_by_state")
		near(t, state+" in the table", s.EnergyKWh, cell(t, told, state, "energy"), 1e-9)
		near(t, state+"'s interval in the table", s.EnergyU, cell(t, told, state, "uncertainty"), 1e-9)
		near(t, state+"'s time in the table", s.TimeS, cell(t, told, state, "time"), 0)
		near(t, state+"'s cost is as unsure as its energy", *s.CostU / *s.Cost, s.EnergyU/s.EnergyKWh, 1e-9)
	}
	sum := m.Split.RestKWh
	for _, s := range m.Split.States {
		sum += s.EnergyKWh
	}
	near(t, "states and rest", sum, energy, 1e-9)
	if len(m.Bills) != 1 {
		t.Fatalf("%d bills, want one", len(m.Bills))
	}
	near(t, "billed", m.Bills[0].OwnKW, 30, 1e-9)
	near(t, "bill", m.Bills[0].Cost, *figureOf(t, *rep, "demand_cost").Value, 1e-9)
	for _, f := range m.Figures {
		if want := figureOf(t, *rep, f.Name); asJSON(t, want) != asJSON(t, f) {
			t.Errorf("%s differs from that of its window:\n%s\n%s", f.Name, asJSON(t, f), asJSON(t, want))
		}
	}
}

// TestMoneyOfASystem: two machines add up; what has no tap has no demand and no slope.
func TestMoneyOfASystem(t *testing.T) {
	site, src, from := moneyDay(t, "America/Chicago", 2026, 6, 2)
	m, err := MoneyOf(src, site, MoneyQuery{FromMS: from.UnixMilli(), ToMS: from.AddDate(0, 0, 1).UnixMilli(), NowMS: farFuture})
	if err != nil {
		t.Fatal(err)
	}
	rep := mustCompute(t, src, site, from.UnixMilli(), from.AddDate(0, 0, 1).UnixMilli())
	near(t, "energy_cost", *findFigure(t, m.Figures, "energy_cost").Value, *systemFigure(t, rep, "energy_cost").Value, 0)
	near(t, "loaded", *m.Split.States[0].Cost, 24, 0.26)
	if m.Duration.Absent == "" || m.Pressure[0].Absent == "" || len(m.Duration.Curve)+len(m.Pressure[0].Steps) > 0 {
		t.Errorf("without a tap: %s, %s", asJSON(t, m.Duration), asJSON(t, m.Pressure))
	}
	site.Tariff = sitefile.Tariff{}
	if m, err = MoneyOf(src, site, MoneyQuery{FromMS: from.UnixMilli(), ToMS: from.AddDate(0, 0, 1).UnixMilli(), NowMS: farFuture}); err != nil {
		t.Fatal(err)
	}
	if m.Currency != "" || m.Hours.CostAbsent == "" || m.Hours.Rows[8].Cost != nil || m.Split.States[0].Cost != nil || len(m.Bills)+len(m.Prices) > 0 {
		t.Errorf("money without a tariff: %s", asJSON(t, m))
	}
	if m.Hours.HalfHours != 4 { // 30 kWh an hour, 204 in all
		t.Errorf("%d hours make half of the energy, want 4", m.Hours.HalfHours)
	}
	if m, err = MoneyOf(src, site, MoneyQuery{FromMS: from.AddDate(-1, 0, 0).UnixMilli(), ToMS: from.AddDate(-1, 0, 1).UnixMilli(), NowMS: farFuture}); err != nil {
		t.Fatal(err)
	}
	if !strings.HasSuffix(m.Split.Absent, "nothing was observed in this window") {
		t.Errorf("a day without readings says why it has no split: %q", m.Split.Absent)
	}
	if _, err = MoneyOf(src, site, MoneyQuery{FromMS: from.UnixMilli(), ToMS: from.AddDate(0, 2, 0).UnixMilli(), NowMS: farFuture}); err == nil {
		t.Error("two months are taken")
	}
	var wrong *CompareError
	if _, err = MoneyOf(src, site, MoneyQuery{Machine: "comp9", FromMS: 0, ToMS: 1, NowMS: 2}); !errors.As(err, &wrong) || wrong.Field != "machine" {
		t.Errorf("comp9: %v", err)
	}
}

// TestMoneyOfPressure: what two psi take, by the slope, of the loaded energy's cost,
// and the demand in order.
func TestMoneyOfPressure(t *testing.T) {
	site := plant(t)
	src := fold(site, handWorked(t).scans)
	m, err := MoneyOf(src, site, MoneyQuery{FromMS: monday, ToMS: monday + hourMS, NowMS: farFuture})
	if err != nil {
		t.Fatal(err)
	}
	p := m.Pressure[0]
	if p.Absent != "" || len(p.Steps) != 2 || !strings.Contains(p.Handbook, "Sourcebook") {
		t.Fatalf("%s", asJSON(t, p))
	}
	// Two thirds of a bar around 6.5 bar, by hand: 1200 s of 36 kW at 0.10 are 1.20.
	for _, s := range p.Steps {
		of := func(name string) float64 { return *findFigure(t, s.Figures, name).Value }
		near(t, "energy of a step", of("pressure_step_energy"), of("pressure_step_power")/100*12, 0.01*of("pressure_step_power"))
		near(t, "cost of a step", of("pressure_step_cost"), of("pressure_step_energy")*0.10, 1e-9)
	}
	// Adiabatic, by hand: (650 + 101.325)/101.325 = 7.415, 7.415^0.2857 = 1.7726, and
	// 0.2857·1.7726/0.7726/751.3 kPa = 0.08725 % a kPa.
	near(t, "a tenth of a bar", *findFigure(t, p.Steps[0].Figures, "pressure_step_power").Value, 0.8725, 0.002)
	near(t, "steps", *p.Steps[1].Figures[0].Value / *p.Steps[0].Figures[0].Value, 1.3789514, 1e-9)
	rep := mustCompute(t, src, site, monday, monday+hourMS)
	told := table(t, rep.Systems[0].Tables, "air_demand_duration")
	for i, c := range m.Duration.Curve {
		if i > 0 && (c.Flow > m.Duration.Curve[i-1].Flow || c.Above < m.Duration.Curve[i-1].Above) {
			t.Errorf("the curve rises at %g", c.Share)
		}
		for _, r := range told.Rows {
			if math.Abs(*r.Values[2]-c.Above) < 1 && (*r.Values[0] != c.Flow || *r.Values[1] != c.U) {
				t.Errorf("at %s: %g ± %g, the table has %g ± %g", r.Name, c.Flow, c.U, *r.Values[0], *r.Values[1])
			}
		}
	}
	cover := m.Duration.Covers[0]
	near(t, "full flow", cover.UpTo, *findFigure(t, rep.Machines[0].Figures, "full_load_flow").Value, 1e-9)
	above := 0
	for _, c := range m.Duration.Curve {
		if c.Flow > cover.UpTo && c.Above >= cover.Above {
			above++
		}
	}
	if above > 0 {
		t.Errorf("%d points of the curve are above the machine after its time above", above)
	}
	if r := m.Air.Rated[0]; math.Abs(r.Value-37.0/6) > 1e-12 {
		t.Errorf("nameplate %g, want 37 kW over 6 m³/min", r.Value)
	}
}

// TestSlopeOfTheHandbook: from 100 to 102 psi power rises by 1.1123 % and from 125 to
// 127 psi by 0.8557 % (adiabatic, 14.5 psi inlet, worked by hand from the ideal power);
// the Sourcebook's rule is 1 % near 100 psi (DOE, Compressed Air Sourcebook for
// Industry, read).
func TestSlopeOfTheHandbook(t *testing.T) {
	const psi = 6894.757
	for at, want := range map[float64]float64{100: 1.1123, 125: 0.8557, 90: 1.2594} {
		got := 100 * (math.Exp(isentropicSlope(14.5*psi, (14.5+at+1)*psi)*twoPsiPa) - 1)
		near(t, "two psi", got, want, 0.002)
	}
}
