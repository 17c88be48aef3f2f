package analysis

import (
	"errors"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"loadscribe/agent/baseline"
	"loadscribe/agent/sitefile"
)

// inventedHours are whole days of hours of a plant whose energy is
// base + perM3·air, where the air of a workday's shift follows what is made on
// it. Production is set by date.
func inventedHours(random *rand.Rand, site *sitefile.Site, from int64, days int, base, perM3, airShare float64, production map[int64]float64) periodHours {
	types := newDayTypes(site)
	var p periodHours
	made := map[int64]float64{}
	for h := range 24 * days {
		r := Hour{StartMS: from + int64(h)*hourMS, Coverage: 1}
		r.Date, r.ClockHour, r.DayType, r.Shift = types.of(r.StartMS)
		if _, ok := made[r.Date]; !ok {
			made[r.Date] = 0
			if r.DayType == workday {
				made[r.Date] = 80 + 60*random.Float64()
			}
			production[r.Date] = made[r.Date]
		}
		air := 20.0 // leaks
		if r.Shift {
			air += made[r.Date] * (1 + 0.1*random.NormFloat64())
		}
		air *= airShare
		r.AirM3 = &air
		r.Peak = r.ClockHour >= 14 && r.ClockHour < 16 && r.DayType == workday
		r.EnergyJ = joulesPerKWh * (base + perM3*air + 0.3*random.NormFloat64())
		p.Rows = append(p.Rows, r)
	}
	p.Whole = len(p.Rows)
	p.inputs, p.relative, p.metered = []string{"meter.power"}, 0.005, true
	p.facts = ComparedPeriod{From: stamp(from), To: stamp(from + int64(days)*dayMS), Hours: len(p.Rows), Coverage: 1, AirM3: number64(1)}
	return p
}

// compared runs all of a comparison but the reading of the store.
func compared(t *testing.T, q CompareQuery, seed uint64, days int, perM3After, airAfter float64) *comparer {
	t.Helper()
	site := plant(t)
	site.Shifts = []sitefile.WeekWindow{mustWindow(t, "Mon-Fri 07:00-16:00")}
	random := rand.New(rand.NewPCG(seed, 9))
	q.Before, q.After = Span{monday, monday + int64(days)*dayMS}, Span{monday + 28*dayMS, monday + int64(28+days)*dayMS}
	q.NowMS = farFuture
	q.Peak = PeakWindow{Windows: []sitefile.WeekWindow{mustWindow(t, "Mon-Fri 14:00-16:00")}}
	c := &comparer{q: q, site: site, perYear: newDayTypes(site).perYear()}
	if err := c.check(); err != nil {
		t.Fatal(err)
	}
	made := map[int64]float64{}
	c.before = inventedHours(random, site, q.Before.FromMS, days, 2, 0.11, 1, made)
	c.after = inventedHours(random, site, q.After.FromMS, days, 2, perM3After, airAfter, made)
	if c.production != nil {
		c.production = made
	}
	for _, p := range []*periodHours{&c.before, &c.after} {
		p.facts.Production = number64(c.produced(&p.Hours))
	}
	c.dayTypes()
	c.try()
	c.choose()
	c.say()
	return c
}

func (c *comparer) find(t *testing.T, name string) Figure {
	t.Helper()
	return findFigure(t, c.out.Figures, name)
}

// TestCompareChooses: the model that suits, and a saving that holds the true
// one, worked out from how the hours were made.
func TestCompareChooses(t *testing.T) {
	production := []Production{{"2026-03-02", 1}}
	tests := []struct {
		name           string
		q              CompareQuery
		perM3, air     float64
		chosen         string
		told           bool
		equal, unequal string
	}{
		{"less energy per air", CompareQuery{}, 0.10, 1, modelAir, true, "air at equal day types", "production: not given"},
		{"nothing changed", CompareQuery{}, 0.11, 1, modelAir, false, "air at equal day types", "weather"},
		{"a quarter of the air less", CompareQuery{}, 0.11, 0.7, modelDayHour, true, "shifts", "air at equal day types"},
		{"the same, with its production", CompareQuery{Production: production}, 0.11, 0.7, modelProduction, true, "production: allowed for", "air at equal day types"},
		{"nothing changed, with its production", CompareQuery{Production: production}, 0.11, 1, modelProduction, false, "production: allowed for", "weather"},
		{"asked for", CompareQuery{Model: modelDayType}, 0.10, 1, modelDayType, true, "shifts", "production: not given"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			c := compared(t, tt.q, 4, 28, tt.perM3, tt.air)
			if c.out.Chosen != tt.chosen {
				t.Fatalf("chose %q (%s), want %q", c.out.Chosen, c.out.Why, tt.chosen)
			}
			if c.out.Told != tt.told {
				t.Errorf("told %v, want %v: %s", c.out.Told, tt.told, c.out.Sentence)
			}
			if strings.Contains(c.out.Sentence, "may be zero") == tt.told {
				t.Errorf("the sentence does not fit told = %v: %s", tt.told, c.out.Sentence)
			}
			if !mentions(c.out.Equal, tt.equal) || !mentions(c.out.Unequal, tt.unequal) {
				t.Errorf("equal %q, unequal %q; want %q and %q in them", c.out.Equal, c.out.Unequal, tt.equal, tt.unequal)
			}
			truth := 0.0 // of the period after, in kWh: what the air would have cost before
			for i := range c.after.Rows {
				r := &c.after.Rows[i]
				truth += 0.11**r.AirM3/tt.air - tt.perM3**r.AirM3
			}
			m := c.chosen
			if math.Abs(m.saving.Value-truth) > *m.Uncertainty {
				t.Errorf("saved %.1f ± %.1f kWh does not hold %.1f", m.saving.Value, *m.Uncertainty, truth)
			}
			// To a year by day types: 250 workdays, 115.25 off-days.
			year, days, perYear := map[string]float64{}, map[string]float64{}, 0.0
			for i := range c.after.Rows {
				r := &c.after.Rows[i]
				year[r.DayType] += 0.11**r.AirM3/tt.air - tt.perM3**r.AirM3
				days[r.DayType] += 1.0 / 24
			}
			for name, n := range map[string]float64{workday: 250, offDay: 115.25} {
				perYear += year[name] / days[name] * n
			}
			f := c.find(t, "energy_saved")
			if math.Abs(*f.Value-perYear) > *f.Uncertainty {
				t.Errorf("energy_saved %.0f ± %.0f kWh/year does not hold %.0f", *f.Value, *f.Uncertainty, perYear)
			}
			check(t, c.find(t, "cost_saved"), *f.Value*0.10, 1e-6*math.Abs(*f.Value))
			if c.find(t, "peak_power_saved").Value == nil || c.find(t, "emissions_saved").Absent == "" {
				t.Error("peak power is to be there, emissions without a factor are not")
			}
		})
	}
}

func mentions(sentences []string, word string) bool {
	for _, s := range sentences {
		if strings.Contains(s, word) {
			return true
		}
	}
	return false
}

// TestCompareYear: the same saving in every hour of a type is brought to a year
// by the days of that type.
func TestCompareYear(t *testing.T) {
	c := compared(t, CompareQuery{Model: modelDayType}, 1, 14, 0.11, 1)
	for i := range c.after.Rows {
		r := &c.after.Rows[i]
		each := 1.0 // kWh an hour saved on off-days
		if r.DayType == workday {
			each = 3
		}
		c.after.Rows[i].EnergyJ = 0
		for k := range c.before.Rows { // the mean before, less that
			if b := &c.before.Rows[k]; b.DayType == r.DayType && b.Shift == r.Shift {
				n := 0.0
				for j := range c.before.Rows {
					if o := &c.before.Rows[j]; o.DayType == r.DayType && o.Shift == r.Shift {
						r.EnergyJ += o.EnergyJ
						n++
					}
				}
				r.EnergyJ = r.EnergyJ/n - each*joulesPerKWh
				break
			}
		}
	}
	c.try()
	year, _, _, lacking := c.yearOf(c.tryOf(modelDayType))
	if want := 250*24*3 + (365.25-250)*24*1.0; math.Abs(year.Value-want) > 1e-6*want || len(lacking) > 0 {
		t.Errorf("a year saves %.3f kWh, want %.3f; lacking %v", year.Value, want, lacking)
	}
}

// TestCompareLimits: what forbids a use is said.
func TestCompareLimits(t *testing.T) {
	c := compared(t, CompareQuery{}, 2, 5, 0.10, 1)
	for _, want := range []string{"before is shorter than one whole week", "after is shorter than one whole week", "no off-day"} {
		if !mentions(c.out.Limits, want) {
			t.Errorf("limits %q do not say %q", c.out.Limits, want)
		}
	}
	c = compared(t, CompareQuery{Changes: []SettingChange{{"2026-03-12 10:00, maps/meter.toml has changed", true}}}, 2, 14, 0.10, 1)
	if !mentions(c.out.Limits, "settings changed") || c.sameMeters() {
		t.Errorf("limits %q do not speak of a changed map", c.out.Limits)
	}
	whole := compared(t, CompareQuery{}, 2, 14, 0.10, 1)
	if mentions(whole.out.Limits, "shorter") || mentions(whole.out.Limits, "settings") {
		t.Errorf("two whole weeks: limits %q", whole.out.Limits)
	}
	if *c.chosen.Uncertainty <= *whole.chosen.Uncertainty {
		t.Errorf("independent meters give ± %.2f kWh, one meter ± %.2f: want more", *c.chosen.Uncertainty, *whole.chosen.Uncertainty)
	}
}

func TestCompareRefuses(t *testing.T) {
	site := plant(t)
	src := fold(site, handWorked(t).scans)
	a, b := Span{monday, monday + hourMS}, Span{monday + hourMS, monday + 2*hourMS}
	for _, tt := range []struct {
		q     CompareQuery
		field string
	}{
		{CompareQuery{Before: b, After: a}, "after"},
		{CompareQuery{Before: Span{monday, monday + 2*hourMS}, After: b}, "before"},
		{CompareQuery{Before: Span{monday, monday}, After: b}, "before"},
		{CompareQuery{Before: a, After: Span{b.FromMS, a.FromMS}}, "after"},
		{CompareQuery{Before: a, After: b, Machine: "comp1", System: "main"}, "machine"},
		{CompareQuery{Before: a, After: b, Machine: "comp9"}, "machine"},
		{CompareQuery{Before: a, After: b, System: "side"}, "system"},
		{CompareQuery{Before: a, After: b, Model: "best"}, "model"},
		{CompareQuery{Before: a, After: b, Model: modelProduction}, "production"},
		{CompareQuery{Before: a, After: b, Production: []Production{{"2.3.2026", 1}}}, "production"},
		{CompareQuery{Before: a, After: b, Production: []Production{{"2026-03-02", -1}}}, "production"},
		{CompareQuery{Before: a, After: b, Production: []Production{{"2026-03-02", 1}, {"2026-03-02", 2}}}, "production"},
	} {
		tt.q.NowMS = farFuture
		_, err := Compare(src, site, tt.q)
		wrong := (*CompareError)(nil)
		if !errors.As(err, &wrong) || wrong.Field != tt.field {
			t.Errorf("%+v: %v; want an error of field %q", tt.q, err, tt.field)
		}
	}
	c, err := Compare(src, site, CompareQuery{Before: a, After: b, NowMS: farFuture})
	if err != nil || c.Chosen != "" || !strings.HasPrefix(c.Sentence, "No saving can be stated") {
		t.Errorf("an hour and nothing: %v, chosen %q, %q", err, c.Chosen, c.Sentence)
	}
}

func TestReadProduction(t *testing.T) {
	got, err := ReadProduction(strings.NewReader("date,count\r\n2026-03-02,118\r\n\"2026-03-03\",\"0.5\"\r\n"))
	if err != nil || len(got) != 2 || got[0] != (Production{"2026-03-02", 118}) || got[1] != (Production{"2026-03-03", 0.5}) {
		t.Errorf("%+v, %v", got, err)
	}
	for text, says := range map[string]string{
		"":                                         "no day is in it",
		"date,count\n":                             "no day is in it",
		"2026-03-02,118\n":                         "line 1: \"2026-03-02,118\" is not the head",
		"date,count\n2026-03-02;118\n":             "line 2: 1 columns",
		"date,count\n02.03.2026,118\n":             `line 2: date "02.03.2026": write it like 2026-03-02`,
		"date,count\n2026-03-02,1 18\n":            `line 2: count "1 18" of 2026-03-02`,
		"date,count\n2026-03-02,NaN\n":             "line 2: count",
		"date,count\n2026-03-02,1\n2026-03-02,2\n": "line 3: 2026-03-02 stands on line 2 too",
		"date,count\n2026-03-02,\"1\n":             "line 2",
	} {
		if _, err := ReadProduction(strings.NewReader(text)); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("%q: %v, want %q", text, err, says)
		}
	}
	if _, err := time.Parse(time.DateOnly, got[0].Date); err != nil {
		t.Error(err)
	}
}

// Energy that no meter reads, and days that the production file passes over, are
// said.
func TestCompareNamesWhatIsNotMeasured(t *testing.T) {
	c := compared(t, CompareQuery{Production: []Production{{"2026-03-02", 1}}}, 4, 14, 0.10, 1)
	if mentions(c.out.Limits, "no line in the production file") || mentions(c.out.Limits, "reckoned from a current") || !mentions(c.out.Basis, "as IPMVP option B means it") {
		t.Fatalf("limits %q, basis %q", c.out.Limits, c.out.Basis)
	}
	delete(c.production, c.after.Rows[30].Date)
	c.before.reckoned = true
	c.out.Limits = nil
	c.say()
	if !mentions(c.out.Limits, "1 of the 14 days after have no line in the production file") || !mentions(c.out.Limits, "reckoned from a current") ||
		mentions(c.out.Basis, "measured by itself") || mentions(c.out.Limits, "give --production") {
		t.Errorf("limits %q, basis %q", c.out.Limits, c.out.Basis)
	}
	if c := compared(t, CompareQuery{Model: modelDayType, Production: []Production{{"2026-03-02", 1}}}, 4, 14, 0.10, 1); !mentions(c.out.Limits, "--model production uses it") {
		t.Errorf("a production file that is not used: limits %q", c.out.Limits)
	}
}

// TestCompareFewFreeHours: where hours follow one another so much that the model by
// the clock has next to no free ones left, the day types are taken.
func TestCompareFewFreeHours(t *testing.T) {
	by := func(name string, effective float64, p int) *triedModel {
		m := model(name, "", inAll)
		m.fit = &baseline.Fit{EffectiveN: effective, P: p}
		return m
	}
	for _, tt := range []struct {
		effective float64
		want      string
	}{{24, modelDayType}, {57.9, modelDayType}, {58, modelDayHour}, {168, modelDayHour}} {
		c := &comparer{tried: []*triedModel{by(modelDayType, 168, 3), by(modelDayHour, tt.effective, 48)}}
		if got, _ := c.suits(); got == nil || got.Name != tt.want {
			t.Errorf("n' %.1f of 48 coefficients: took %v, want %s", tt.effective, got, tt.want)
		}
	}
}

// TestCompareAirThatIsNotMetered: a model by air that is made of rated flow and the time
// loaded is taken only where there is no other, and then with a warning, whether or not it
// is known how the air itself changed (docs/before-after.md).
func TestCompareAirThatIsNotMetered(t *testing.T) {
	byAir := func() *triedModel {
		m := model(modelAir, "", atEqualAir)
		m.fit, m.KeepsLimits = &baseline.Fit{T: []float64{1, 50}}, true
		return m
	}
	byDay := func() *triedModel {
		m := model(modelDayType, "", inAll)
		m.fit = &baseline.Fit{EffectiveN: 168, P: 3}
		return m
	}
	for _, tt := range []struct {
		metered, known, days bool
		want, says           string
	}{
		{false, false, true, modelDayType, "air is not metered"},
		{false, true, true, modelDayType, "air is not metered"},
		{false, false, false, modelAir, "only because no model by days can be made"},
		{true, false, true, modelAir, "energy follows the air"},
		{true, true, true, modelAir, "did not change"},
		{true, false, false, modelAir, "energy follows the air"},
	} {
		c := &comparer{tried: []*triedModel{byAir()}}
		if tt.days {
			c.tried = append(c.tried, byDay())
		}
		c.before.metered, c.after.metered, c.air.known = tt.metered, tt.metered, tt.known
		got, why := c.suits()
		if got == nil || got.Name != tt.want || !strings.Contains(why, tt.says) || tt.metered && strings.Contains(why, "not metered") {
			t.Errorf("%+v: took %v, %q", tt, got, why)
		}
	}
}
