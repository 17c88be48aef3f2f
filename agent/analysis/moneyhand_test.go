package analysis

import (
	"testing"
	"time"

	"loadscribe/agent/gum"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

func moneyOf(t *testing.T, src Source, site *sitefile.Site, fromMS, toMS int64) Money {
	t.Helper()
	m, err := MoneyOf(src, site, MoneyQuery{FromMS: fromMS, ToMS: toMS, NowMS: farFuture})
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// TestMoneyAirByHand: of three hours one was wholly observed, in which rated 6 m³/min less
// 3.5 % were delivered for 1194 s (TestHandWorkedHour): 115.2 m³, 1.921 m³/min on the
// hour's mean. What it took is the figure of that hour alone; of the next one only five
// minutes were read, too few to tell.
func TestMoneyAirByHand(t *testing.T) {
	site := plant(t)
	site.Machines[0].RatedPressurePa = 690_000
	tp := handWorked(t)
	for sec := int64(3601); sec <= 3900; sec++ {
		tp.add("controller", sec*1000, 1, 1, 0, 0, 6500, 43)
		tp.add("meter", sec*1000, 360, 150+(sec-3600)/10)
	}
	src := fold(site, tp.scans)
	a := moneyOf(t, src, site, monday, monday+3*hourMS).Air
	if len(a.Points) != 1 || a.Short != 2 {
		t.Fatalf("%d points, %d hours left out, want 1 and 2: %s", len(a.Points), a.Short, asJSON(t, a))
	}
	p := a.Points[0]
	near(t, "flow", p.Flow, 6*0.965*1194/3600, 1e-9)
	hour := systemFigure(t, mustCompute(t, src, site, monday, monday+hourMS), "specific_power")
	if p.From != stamp(monday) || p.To != stamp(monday+hourMS) || p.Value != *hour.Value || p.U != *hour.Uncertainty {
		t.Errorf("the hour has %s, its figure is %s", asJSON(t, p), asJSON(t, hour))
	}
	near(t, "rated pressure", *a.Rated[0].Pressure, 690, 1e-9)
}

// TestCoversByHand: demand of 10, 9, … 1 m³/min for a minute each, and machines that
// give 4, 3 and 2. Above 4 are six minutes, above 7 three, above 9 one; a demand that
// is just met is not above.
func TestCoversByHand(t *testing.T) {
	var order []bucket
	for flow := 10.0; flow > 0; flow-- {
		order = append(order, bucket{v: flow / 60})
	}
	s := &sheet{}
	for _, flow := range []float64{4, 3, 2} {
		s.machines = append(s.machines, &sheet{g: &gathered{sp: &spec{name: "comp"}}, full: fullFlow{v: gum.Exact(flow / 60)}})
	}
	var d MoneyDuration
	s.covers(order, 60_000, &d)
	for i, want := range []MoneyCover{{Flow: 4, UpTo: 4, Above: 360, Share: 0.6}, {Flow: 3, UpTo: 7, Above: 180, Share: 0.3}, {Flow: 2, UpTo: 9, Above: 60, Share: 0.1}} {
		got := d.Covers[i]
		near(t, "own flow", got.Flow, want.Flow, 1e-9)
		near(t, "flow up to it", got.UpTo, want.UpTo, 1e-9)
		near(t, "time above", got.Above, want.Above, 0)
		near(t, "share above", got.Share, want.Share, 1e-12)
	}
	// Of what stands upon a machine of unknown flow nothing is said.
	s.machines[1].full.v = gum.Value{}
	d.Covers = nil
	if s.covers(order, 60_000, &d); len(d.Covers) != 1 {
		t.Errorf("upon an unknown machine: %s", asJSON(t, d.Covers))
	}
}

// TestMoneyOfPartHours: 30 kW from 22:30 to 02:15 at 0.10, from 00:30 on at 0.20. By
// hand: 15 kWh, 30, 30 and 30, and 7.5 in the last quarter hour; 1.50, 3.00, 1.50 + 3.00
// in the hour of two prices, 6.00 and 1.50. The first date has 45 kWh for 4.50, the
// second 67.5 for 12.00: an hour that begins at midnight is of the day that begins.
func TestMoneyOfPartHours(t *testing.T) {
	for _, zone := range []string{"America/Chicago", "Asia/Kathmandu"} {
		t.Run(zone, func(t *testing.T) {
			site := minutely(t, zone)
			site.Tariff.Energy = []sitefile.EnergyPrice{{Period: sitefile.Period{Name: "other times"}, PerKWh: 0.10}, {Period: sitefile.Period{Name: "dear", When: window("00:30", "12:00")}, PerKWh: 0.20}}
			from := dayIn(site, 2026, 6, 2).Add(22*time.Hour + 30*time.Minute)
			to := from.Add(3*time.Hour + 45*time.Minute)
			src := meterTape(t, site, from.Add(-time.Hour), to.Add(time.Hour), func(time.Time) now { return now{own: 30} })
			h := moneyOf(t, src, site, from.UnixMilli(), to.UnixMilli()).Hours
			want := []struct {
				minutes   int // from from
				kWh, cost float64
				price     int
			}{{0, 15, 1.5, 0}, {30, 30, 3, 0}, {90, 30, 4.5, -1}, {150, 30, 6, 1}, {210, 7.5, 1.5, 1}, {225, 0, 0, 0}}
			if len(h.Rows) != len(want)-1 || len(h.Days) != 2 {
				t.Fatalf("%d hours in %d days, want 5 in 2: %s", len(h.Rows), len(h.Days), asJSON(t, h))
			}
			const pair = 0.51 // kWh of the minute's pair of readings at an edge
			for i, r := range h.Rows {
				w := want[i]
				if begin, end := from.Add(time.Duration(w.minutes)*time.Minute), from.Add(time.Duration(want[i+1].minutes)*time.Minute); r.From != stamp(begin.UnixMilli()) || r.To != stamp(end.UnixMilli()) {
					t.Errorf("hour %d is from %s to %s, want %s to %s", i, r.From, r.To, begin.UTC(), end.UTC())
				}
				near(t, "energy of "+r.From, r.EnergyKWh, w.kWh, pair)
				near(t, "cost of "+r.From, *r.Cost, w.cost, pair*0.2)
				near(t, "observed in "+r.From, r.ObservedS, w.kWh*120, 61) // 30 kW: 120 s a kWh
				if *r.Price != w.price {
					t.Errorf("%s has price %d, want %d", r.From, *r.Price, w.price)
				}
			}
			for i, w := range []struct {
				date                string
				kWh, cost, observed float64
			}{{"2026-06-02", 45, 4.5, 5400}, {"2026-06-03", 67.5, 12, 8100}} {
				d := h.Days[i]
				if d.Date != w.date {
					t.Errorf("day %d is %s, want %s", i, d.Date, w.date)
				}
				near(t, "energy of "+d.Date, d.EnergyKWh, w.kWh, pair)
				near(t, "cost of "+d.Date, *d.Cost, w.cost, pair*0.2)
				near(t, "observed on "+d.Date, d.ObservedS, w.observed, 61)
			}
		})
	}
}

// TestMoneyOverAGap: an hour at 36 kW of which 300 s were not read. By hand: the counter
// went on by 3 kWh meanwhile, 0.30 at 0.10; they belong to no hour and no state, and
// with the 33 kWh of the hour and of being loaded make the figure. The counter shows
// tenths of a kWh.
func TestMoneyOverAGap(t *testing.T) {
	site := plant(t)
	tp := newTape(site, monday)
	for sec := int64(0); sec <= 3600; sec++ {
		if sec > 1200 && sec < 1500 {
			continue
		}
		tp.add("controller", sec*1000, 1, 1, 0, 0, 6500, 1)
		tp.add("meter", sec*1000, 360, sec/10) // 0.1 kWh in 10 s
	}
	m := moneyOf(t, fold(site, tp.scans), site, monday, monday+hourMS)
	h, v := m.Hours, m.Split
	const step = 0.11
	near(t, "over the gap", h.GapsKWh, 3, step)
	near(t, "its cost", *h.GapsCost, 0.3, step/10)
	if len(h.Rows) != 1 || len(v.States) != 1 || v.States[0].State != "loaded" {
		t.Fatalf("%s\n%s", asJSON(t, h), asJSON(t, v))
	}
	near(t, "the hour", h.Rows[0].EnergyKWh, 33, step)
	near(t, "hour and gap", h.Rows[0].EnergyKWh+h.GapsKWh, *findFigure(t, m.Figures, "energy").Value, 1e-9)
	near(t, "cost of hour and gap", *h.Rows[0].Cost+*h.GapsCost, *findFigure(t, m.Figures, "energy_cost").Value, 1e-9)
	loaded := v.States[0]
	near(t, "of no state", v.RestKWh, 3, 2*step)
	near(t, "cost of no state", *v.RestCost, 0.3, step/5)
	near(t, "loaded", loaded.EnergyKWh, 33, step)
	near(t, "time loaded", loaded.TimeS, 3300, 2)
	near(t, "share of the energy", loaded.Share, 33.0/36, 0.005)
	near(t, "share of the cost", *loaded.CostShare, 33.0/36, 0.005)
}

// TestMoneyOfTwoMachines: 30 and 10 kW for two hours. By hand: 80 kWh in four hours of
// machine time, 40 an hour.
func TestMoneyOfTwoMachines(t *testing.T) {
	site := minutely(t, "America/Chicago")
	other := site.Devices[0]
	other.Name = "meter2"
	site.Devices = append(site.Devices, other)
	second := site.Machines[0]
	second.Name = "comp2"
	second.Roles = map[scan.Role]string{scan.MotorRunning: "meter2.running", scan.Loaded: "meter2.loaded", scan.Power: "meter2.power"}
	site.Machines = append(site.Machines, second)
	site.Systems[0].Machines = append(site.Systems[0].Machines, "comp2")
	from := dayIn(site, 2026, 6, 2)
	tp := newTape(site, from.UnixMilli())
	for ms := int64(0); ms <= 2*hourMS; ms += 60_000 {
		tp.add("meter", ms, 1, 1, 300, 0)
		tp.add("meter2", ms, 1, 1, 100, 0)
	}
	m := moneyOf(t, fold(site, tp.scans), site, from.UnixMilli(), from.UnixMilli()+2*hourMS)
	if len(m.Split.States) != 1 || len(m.Hours.Rows) != 2 {
		t.Fatalf("%s\n%s", asJSON(t, m.Split), asJSON(t, m.Hours))
	}
	loaded := m.Split.States[0]
	near(t, "loaded", loaded.EnergyKWh, 80, 1.4) // a pair of a minute belongs to the next window
	near(t, "its cost", *loaded.Cost, 8, 0.14)
	near(t, "machine time", loaded.TimeS, 4*3600, 121)
	near(t, "the first hour", m.Hours.Rows[0].EnergyKWh, 40, 0.7)
	near(t, "of no state", m.Split.RestKWh, 0, 1e-9)
}

// TestMoneyBillByHand: the plant draws 100 kW, from 10:15 to 10:30 of the second 160,
// and 400 in a quarter hour of May, where half of the highest of a month before is
// billed: 200 kW. The machine drew 30 kW in that quarter hour of May, half of which is
// its part: 15 kW at 10, of a month that has 30 days one.
func TestMoneyBillByHand(t *testing.T) {
	site := minutely(t, "America/Chicago")
	site.Tariff.PlantMeter = "meter.plant"
	site.Tariff.Demand = []sitefile.DemandCharge{{Period: sitefile.Period{Name: "all times"}, PerKW: 10, Window: 15 * time.Minute, RatchetShare: 0.5, RatchetMonths: 1}}
	may, june := dayIn(site, 2026, 5, 31), dayIn(site, 2026, 6, 2)
	quarter := june.Add(10*time.Hour + 15*time.Minute)
	in := func(at, from time.Time) bool {
		return !at.Before(from.Add(-time.Minute)) && at.Before(from.Add(15*time.Minute)) // readings hold until the next
	}
	src := meterTape(t, site, may, june.AddDate(0, 0, 1), func(at time.Time) now {
		switch {
		case in(at, may.Add(9*time.Hour)):
			return now{own: 30, plant: 400}
		case in(at, quarter):
			return now{own: 25, plant: 160}
		}
		return now{own: 20, plant: 100}
	})
	m := moneyOf(t, src, site, june.UnixMilli(), june.AddDate(0, 0, 1).UnixMilli())
	if len(m.Bills) != 1 {
		t.Fatalf("%s", asJSON(t, m.Bills))
	}
	b := m.Bills[0]
	near(t, "peak", b.PeakKW, 160, 1e-9)
	near(t, "billed", b.BilledKW, 200, 1e-9)
	near(t, "own part", b.OwnKW, 15, 1e-9)
	near(t, "share of the month", b.Share, 1.0/30, 1e-9)
	near(t, "cost", b.Cost, 15*10/30.0, 1e-9)
	if b.PeakFrom != stamp(quarter.UnixMilli()) || b.PeakTo != stamp(quarter.Add(15*time.Minute).UnixMilli()) {
		t.Errorf("the peak is from %s to %s, want a quarter hour from %s", b.PeakFrom, b.PeakTo, quarter.UTC())
	}
	if b.From != stamp(dayIn(site, 2026, 6, 1).UnixMilli()) || b.To != stamp(dayIn(site, 2026, 7, 1).UnixMilli()) {
		t.Errorf("the month is from %s to %s", b.From, b.To)
	}
}

// TestPressureOfAYear: where a window's energy cost 100 and a year's 5000 ± 500, a year
// costs 50 windows, of a standard uncertainty of 2.5; so does a step of pressure.
func TestPressureOfAYear(t *testing.T) {
	figure := func(name string, v, half float64) Figure {
		return Figure{Name: name, Value: &v, Uncertainty: &half}
	}
	site := plant(t)
	src := fold(site, handWorked(t).scans)
	m := Money{Kind: "system", Subject: "main", Currency: "USD", Figures: []Figure{figure("energy_cost", 100, 1)}, Year: []Figure{figure("energy_cost_year", 5000, 500)}}
	year := yearFactor(&m)
	near(t, "a year's windows", year.V, 50, 1e-9)
	near(t, "their standard uncertainty", year.U(), 2.5, 1e-9)
	c, err := computeAny(src, site, monday, monday+hourMS, farFuture, only("system", "main"))
	if err != nil {
		t.Fatal(err)
	}
	if err := m.pressures(src, site, &MoneyQuery{FromMS: monday, ToMS: monday + hourMS, NowMS: farFuture}, c.systems["main"]); err != nil {
		t.Fatal(err)
	}
	for _, s := range m.Pressure[0].Steps {
		near(t, "a step in a year", *findFigure(t, s.Figures, "pressure_step_cost_year").Value, 50**findFigure(t, s.Figures, "pressure_step_cost").Value, 1e-9)
	}
	near(t, "gauge pressure, kPa", m.Pressure[0].Pressure, 650, 5)
	m.Year = nil
	if v := yearFactor(&m); v.V != 0 {
		t.Errorf("without a year: %g", v.V)
	}
}

// TestHalfOfTheMoneyIsOfTheWindow: of three hours one was read, in which half of all
// was used: one hour of three, whatever nobody saw of the others.
func TestHalfOfTheMoneyIsOfTheWindow(t *testing.T) {
	site := plant(t)
	tp := newTape(site, monday)
	for sec := int64(0); sec < 3600; sec++ {
		tp.add("controller", sec*1000, 1, 1, 0, 0, 6500, 1)
		tp.add("meter", sec*1000, 360, sec/10)
	}
	m := moneyOf(t, fold(site, tp.scans), site, monday, monday+3*hourMS)
	if m.Hours.HalfHours != 1 {
		t.Fatal(asJSON(t, m.Hours))
	}
	near(t, "share of the window's hours", m.Hours.HalfShare, 1.0/3, 1e-12)
}
