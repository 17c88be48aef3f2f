package analysis

import (
	"math"
	"os"
	"regexp"
	"strings"
	"testing"
	"time"

	"loadscribe/agent/baseline"
	"loadscribe/agent/sitefile"
)

// yearSite works on five days of nine hours, 50 weeks a year, and pays double from
// 12:00 to 18:00 on them.
func yearSite(t *testing.T) *sitefile.Site {
	t.Helper()
	site := plant(t)
	site.WeeksPerYear = 50
	site.Shifts = []sitefile.WeekWindow{mustWindow(t, "Mon-Fri 07:00-16:00")}
	site.Tariff = sitefile.Tariff{Currency: "USD", BillingDay: 1, EmissionsKgPerJ: 0.4 / joulesPerKWh, EmissionsProvided: true, Energy: []sitefile.EnergyPrice{
		{Period: sitefile.Period{Name: "other times"}, PerKWh: 0.10},
		{Period: sitefile.Period{Name: "noon", When: []sitefile.WeekWindow{mustWindow(t, "Mon-Fri 12:00-18:00")}}, PerKWh: 0.20},
	}}
	return site
}

// yearWeek is a week of hours: 10 kWh in each hour of a shift and 1 kWh in the
// others, a fifth of it unloaded, 5 m³ of air; the workdays differ in their hour from
// 10:00 by 2, -2, 0, 1 and -1 kWh.
func yearWeek(site *sitefile.Site) (h Hours) {
	types := newDayTypes(site)
	for i := range 7 * 24 {
		r := Hour{StartMS: monday + int64(i)*hourMS, Coverage: 1, AirM3: number64(5)}
		r.Date, r.ClockHour, r.DayType, r.Shift = types.of(r.StartMS)
		kWh := 1.0
		if r.Shift {
			kWh = 10
		}
		if r.ClockHour == 10 && r.Shift {
			kWh += []float64{2, -2, 0, 1, -1, 0, 0}[i/24]
		}
		r.EnergyJ, r.UnloadedJ = kWh*joulesPerKWh, number64(kWh*joulesPerKWh/5)
		h.Rows = append(h.Rows, r)
	}
	h.Whole = len(h.Rows)
	return h
}

// yearFigures are those of the window, each known to 1 %, air to 10 %.
func yearFigures() []Figure {
	of := func(name, unit string, v, relative float64) Figure {
		return Figure{Name: name, Unit: unit, Value: &v, Uncertainty: number64(v * relative), Level: stated, Coverage: number64(1)}
	}
	return []Figure{of("energy", "kWh", 573, 0.01), of("energy_unloaded", "kWh", 114.6, 0.01), of("energy_cost", "USD", 78.3, 0.01),
		of("demand_cost", "USD", 40, 0.01), of("air_delivered", "m³", 840, 0.1), of("emissions", "kg", 229.2, 0.01)}
}

func yearFigure(t *testing.T, all []Figure, name string) Figure {
	t.Helper()
	for i := range all {
		if all[i].Name == name {
			return all[i]
		}
	}
	t.Fatalf("no %s", name)
	return Figure{}
}

// TestYearByHand: a workday takes 9·10 + 15·1 = 105 kWh and an off-day 24; a year has
// 50·5 = 250 workdays and 365.25 − 250 = 115.25 off-days. A workday costs
// (4·10 + 2·1)·0.20 + (105 − 42)·0.10 = 14.70, an off-day 2.40. The five workdays lie
// 2, −2, 0, 1 and −1 kWh off their mean, the two off-days not at all: a pooled variance
// of 10/5 with 4 + 1 degrees of freedom, at which Student's t of 95 % is 2.571
// (NIST/SEMATECH e-Handbook, section 1.3.6.7.2, from memory).
func TestYearByHand(t *testing.T) {
	site := yearSite(t)
	all := YearOf(site, yearWeek(site), yearFigures(), monday, monday+weekMS)
	value := func(name string, want, tolerance float64) Figure {
		t.Helper()
		f := yearFigure(t, all, name)
		if f.Value == nil {
			t.Fatalf("%s: %s", name, f.Absent)
		}
		near(t, name, *f.Value, want, tolerance)
		return f
	}
	energy := value("energy_year", 250*105+115.25*24, 1e-6) // 29 016
	scatter := 2.571 * math.Sqrt(10.0/5*(250.0*250/5+115.25*115.25/2))
	near(t, "energy's interval", *energy.Uncertainty, math.Hypot(scatter, 290.16), 0.2)
	value("energy_unloaded_year", 29016.0/5, 1e-6)
	cost := value("energy_cost_year", 250*14.70+115.25*2.40, 1e-6) // 3951.60
	value("unloaded_cost_year", 3951.6/5, 1e-6)
	demand := value("demand_cost_year", 40*12/(7.0/31), 1e-6) // a week of March; a year has twelve charges
	whole := value("cost_year", 3951.6+40*12/(7.0/31), 1e-6)
	near(t, "its interval", *whole.Uncertainty, *cost.Uncertainty+*demand.Uncertainty, 1e-9)
	air := value("air_year", 5*24*365.25, 1e-6)
	near(t, "air's interval: no day differs", *air.Uncertainty, 4383, 1e-6)
	value("emissions_year", 29016*0.4, 1e-6)
	for _, words := range []string{"250 like its workdays", "115.2 like its off-days", "weeks_per_year = 50", "not in the interval"} {
		if !strings.Contains(energy.Method, words) {
			t.Errorf("the method does not say %q: %s", words, energy.Method)
		}
	}
	if energy.AtLeast || whole.AtLeast {
		t.Error("nothing is left out, and it is called a lower bound")
	}
	if names := YearNames(); len(names) != len(all) {
		t.Errorf("%d figures, %d names", len(all), len(names))
	}
	for i, name := range YearNames() {
		if all[i].Name != name {
			t.Errorf("figure %d is %s, want %s", i, all[i].Name, name)
		}
	}
}

// TestYearIsCompares: a year by day types is that of a comparison: the weights by which
// Compare brings hours to a year give the same energy.
func TestYearIsCompares(t *testing.T) {
	site := yearSite(t)
	h := yearWeek(site)
	c := &comparer{site: site, after: periodHours{Hours: h}, perYear: newDayTypes(site).perYear()}
	m := &triedModel{after: make([]baseline.Point, len(h.Rows)), rows: everyPlace(len(h.Rows))}
	weights, lacking := c.weights(m)
	kWh := 0.0
	for i := range weights {
		kWh += weights[i] * h.Rows[i].EnergyJ / joulesPerKWh
	}
	f := yearFigure(t, YearOf(site, h, yearFigures(), monday, monday+weekMS), "energy_year")
	near(t, "energy of a year", *f.Value, kWh, 1e-6)
	if len(lacking) > 0 {
		t.Errorf("lacking %v", lacking)
	}
}

// TestYearOfWhatWasSeen: hours that nobody saw are taken for those of the same clock,
// and a price that changes within an hour holds for its part.
func TestYearOfWhatWasSeen(t *testing.T) {
	site := yearSite(t)
	h := yearWeek(site)
	// Wednesday, which lies on the mean, goes unseen from 08:00 on, and so does Sunday.
	lost := h
	lost.Rows = append(append([]Hour{}, h.Rows[:2*24+8]...), h.Rows[3*24:6*24]...)
	f := yearFigure(t, YearOf(site, lost, yearFigures(), monday, monday+weekMS), "energy_year")
	near(t, "energy of a year", *f.Value, 29016, 1e-6)
	near(t, "coverage", *f.Coverage, float64(7*24-16-24)/(7*24), 1e-9)
	// Wednesday is no day, Sunday neither: 4 + 1 days, 3 degrees of freedom, t = 3.182.
	scatter := 3.182 * math.Sqrt(10.0/3*(250.0*250*24/(4*24+8)+115.25*115.25))
	near(t, "its interval", *f.Uncertainty, math.Hypot(scatter, 290.16), 0.3)

	site.Tariff.Energy[1].When = []sitefile.WeekWindow{mustWindow(t, "Mon-Fri 12:30-18:00")}
	f = yearFigure(t, YearOf(site, h, yearFigures(), monday, monday+weekMS), "energy_cost_year")
	near(t, "cost of a year", *f.Value, 3951.6-250*10*0.05, 1e-6)
}

// TestYearLeavesOut: a plant that works every day shows no day of the weeks in which it
// does not; a year of it is a lower bound and says so.
func TestYearLeavesOut(t *testing.T) {
	site := yearSite(t)
	site.Shifts = []sitefile.WeekWindow{mustWindow(t, "Mon-Sun 07:00-16:00")}
	h := yearWeek(site)
	f := yearFigure(t, YearOf(site, h, yearFigures(), monday, monday+weekMS), "energy_year")
	near(t, "energy of 350 days", *f.Value, 350*105, 1e-6)
	if !f.AtLeast || !strings.Contains(f.AtLeastWhy, "the 15 days of the weeks not worked") {
		t.Errorf("at least %v: %q", f.AtLeast, f.AtLeastWhy)
	}
	// Every day another shift: no two days of a type, no interval.
	site.Shifts = nil
	for i, day := range []string{"Mon", "Tue", "Wed", "Thu", "Fri", "Sat"} {
		site.Shifts = append(site.Shifts, mustWindow(t, day+" 07:00-1"+string(rune('1'+i))+":00"))
	}
	f = yearFigure(t, YearOf(site, yearWeek(site), yearFigures(), monday, monday+weekMS), "energy_year")
	if f.Value == nil || f.Uncertainty != nil || !strings.Contains(f.Note, "without an interval") {
		t.Errorf("seven kinds of days: %+v", f)
	}
}

// TestYearRefused: a figure of a year is absent with the reason, never made of too
// little.
func TestYearRefused(t *testing.T) {
	whole := func(*sitefile.Site, *Hours, *[]Figure) int64 { return weekMS }
	for _, tt := range []struct {
		name   string
		change func(*sitefile.Site, *Hours, *[]Figure) int64
		figure string
		why    string // empty: it is there
	}{
		{"a whole week", whole, "cost_year", ""},
		{"two days", func(_ *sitefile.Site, h *Hours, _ *[]Figure) int64 {
			h.Rows, h.Whole = h.Rows[:48], 48
			return 2 * dayMS
		}, "energy_year", "this window is 48 h 0 min"},
		{"nothing observed", func(_ *sitefile.Site, h *Hours, _ *[]Figure) int64 { h.Rows = nil; return weekMS }, "energy_year", "no hour"},
		{"no weekend seen", func(_ *sitefile.Site, h *Hours, _ *[]Figure) int64 { h.Rows = h.Rows[:120]; return weekMS }, "energy_year",
			"of the window's off-days 0 of the day's 24 hours"},
		{"no energy", func(_ *sitefile.Site, _ *Hours, f *[]Figure) int64 {
			(*f)[0] = Figure{Name: "energy", Absent: "no power channel"}
			return weekMS
		}, "energy_year", "no power channel"},
		{"no tariff", func(s *sitefile.Site, _ *Hours, _ *[]Figure) int64 { s.Tariff = sitefile.Tariff{}; return weekMS }, "cost_year", "no energy price"},
		{"no factor", func(s *sitefile.Site, _ *Hours, _ *[]Figure) int64 { s.Tariff = sitefile.Tariff{}; return weekMS }, "emissions_year", "no emission factor"},
		{"a tariff with a hole", func(s *sitefile.Site, _ *Hours, _ *[]Figure) int64 {
			s.Tariff.Energy = s.Tariff.Energy[1:]
			return weekMS
		}, "cost_year", "no price for Mon 00:00"},
		{"no air", func(_ *sitefile.Site, h *Hours, _ *[]Figure) int64 {
			for i := range h.Rows {
				h.Rows[i].AirM3 = nil
			}
			return weekMS
		}, "air_year", "air_delivered was not told in enough hours"},
		{"no demand price", func(_ *sitefile.Site, _ *Hours, f *[]Figure) int64 {
			(*f)[3] = Figure{Name: "demand_cost", Absent: "no demand price in the site file"}
			return weekMS
		}, "demand_cost_year", "no demand price"},
	} {
		site := yearSite(t)
		h, figures := yearWeek(site), yearFigures()
		window := tt.change(site, &h, &figures)
		f := yearFigure(t, YearOf(site, h, figures, monday, monday+window), tt.figure)
		switch {
		case tt.why == "" && f.Value == nil:
			t.Errorf("%s: %s is absent: %s", tt.name, tt.figure, f.Absent)
		case tt.why != "" && (f.Value != nil || !strings.Contains(f.Absent, tt.why)):
			t.Errorf("%s: %s: %q, want %q", tt.name, tt.figure, f.Absent, tt.why)
		}
	}
}

// TestYearOfARecord: what the hours of a record hold adds up to its figures: a machine
// that idles at 5 kW all night and runs at 20 kW in the shift.
func TestYearOfARecord(t *testing.T) {
	site := minutely(t, "America/Chicago")
	site.WeeksPerYear = 365.25 / 7
	site.Shifts = []sitefile.WeekWindow{mustWindow(t, "Mon-Fri 07:00-16:00")}
	from, to := dayIn(site, 2026, 1, 12), dayIn(site, 2026, 1, 19)
	src := meterTape(t, site, from, to, func(local time.Time) now {
		local = local.In(site.Location)
		if h := local.Hour(); h >= 7 && h < 16 && local.Weekday() != time.Sunday && local.Weekday() != time.Saturday {
			return now{own: 20}
		}
		return now{own: 5, unloaded: true}
	})
	q := HoursQuery{Machine: "comp1", FromMS: from.UnixMilli(), ToMS: to.UnixMilli(), NowMS: farFuture, LeastCoverage: 0.9}
	h, err := HoursOf(src, site, q)
	if err != nil {
		t.Fatal(err)
	}
	rep, err := Compute(src, site, q.FromMS, q.ToMS, farFuture, "comp1")
	if err != nil {
		t.Fatal(err)
	}
	all := YearOf(site, h, rep.Machines[0].Figures, q.FromMS, q.ToMS)
	near(t, "energy of a year", *yearFigure(t, all, "energy_year").Value, 365.25/7*(45*20+123*5), 10)
	// The minute in which the machine loads, each workday, is read at 5 and at 20 kW.
	near(t, "unloaded energy of a year", *yearFigure(t, all, "energy_unloaded_year").Value, 365.25/7*(123*5+5*7.5/60), 10)
}

// TestYearInDocs holds docs/figures.md to the names.
func TestYearInDocs(t *testing.T) {
	text, err := os.ReadFile("../../docs/figures.md")
	if err != nil {
		t.Fatal(err)
	}
	_, section, found := strings.Cut(string(text), "\n## A year\n")
	if !found {
		t.Fatal("no section on a year")
	}
	for _, name := range YearNames() {
		if !strings.Contains(section, "`"+name+"`") {
			t.Errorf("docs/figures.md lacks %s", name)
		}
	}
	listed := regexp.MustCompile("(?m)^- (`\\w+_year`(?:, )?)+").FindAllString(section, -1)
	if n := strings.Count(strings.Join(listed, ""), "_year`"); n != len(YearNames()) {
		t.Errorf("docs/figures.md names %d figures of a year, there are %d", n, len(YearNames()))
	}
}
