package analysis

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
)

// say makes sentences and figures of what was chosen.
func (c *comparer) say() {
	c.out.Basis = []string{
		"95 % intervals: of the model the wider of the one by hours (autocorrelation allowed for, n' = n(1−ρ)/(1+ρ)) and the one by days, and of the meters, in squares; at equal air also the largest difference to another form of the model (another base in shift hours, a bend)",
		"what was changed is measured by itself and throughout, as IPMVP option B means it (from memory, not read)",
		"CV(RMSE) and NMBE over n−p; hourly models are held to 30 and 10 %, daily ones to 20 and 5 %; the fractional uncertainty at 68 % to half of the saving: limits as in ASHRAE Guideline 14 and programmes' rules, from memory, not read; a programme's own limits hold",
		fmt.Sprintf("a year: %g weeks worked as the site's shifts say, the other days as off-days; holidays are taken to lie in the weeks not worked", c.site.WeeksPerYear),
	}
	if c.reckoned() {
		c.out.Basis[1] = "energy is reckoned from a current, which IPMVP option B does not mean by measuring (from memory, not read)"
	}
	c.equal()
	c.limits()
	m := c.chosen
	if m == nil {
		why := c.noModel()
		c.out.Sentence = "No saving can be stated: " + why + "."
		for _, name := range []string{"energy_saved", "saving_share", "cost_saved", "emissions_saved"} {
			c.out.Figures = append(c.out.Figures, Figure{Name: name, Absent: why})
		}
		return
	}
	year, half, weights, lacking := c.yearOf(m)
	if len(lacking) > 0 {
		c.limit("the period after has no %s: a year's saving leaves those days out", strings.Join(lacking, ", no "))
	}
	if c.out.Told = math.Abs(year.Value) > half && !c.blind(m); c.out.Told && m.saving.Fractional68 > m.limits.Fractional {
		c.limit("its uncertainty at 68 %% in Guideline 14's form is %.0f %% of the saving, more than the half that is usually allowed", 100*m.saving.Fractional68)
	}
	method := fmt.Sprintf("baseline of the period before (%s) at what drove the period after, less what was measured; brought to a year by day types", m.What)
	c.figure("energy_saved", "kWh/year", year.Value, half, method)
	if year.Baseline > 0 {
		c.figure("saving_share", "1", year.Value/year.Baseline, half/year.Baseline, method)
	}
	c.money(year.Value, half, weights)
	if t := &c.site.Tariff; t.EmissionsProvided {
		perKWh := t.EmissionsKgPerJ * joulesPerKWh
		c.figure("emissions_saved", "kg/year", year.Value*perKWh, half*perKWh, "energy saved times the site's emission factor, which is taken as exact")
	} else {
		c.out.Figures = append(c.out.Figures, Figure{Name: "emissions_saved", Absent: "no emission factor in the site file"})
	}
	c.peak()
	c.other(m)
	c.sentence(m, year.Value, half, year.Baseline)
}

func (c *comparer) figure(name, unit string, v, half float64, method string) {
	inputs := slices.Compact(slices.Sorted(slices.Values(append(append([]string{}, c.before.inputs...), c.after.inputs...))))
	c.out.Figures = append(c.out.Figures, Figure{Name: name, Value: &v, Unit: unit, Uncertainty: &half, Level: stated,
		Coverage: number64(min(c.before.facts.Coverage, c.after.facts.Coverage)), Method: method, Inputs: inputs})
}

func (c *comparer) money(kWh, half float64, weights []float64) {
	money, perKWh, ok := c.worth(c.chosen, weights)
	if !ok {
		c.out.Figures = append(c.out.Figures, Figure{Name: "cost_saved", Absent: "no energy price in the site file for every hour after"})
		return
	}
	c.figure("cost_saved", c.site.Tariff.Currency+"/year", money, math.Abs(half*perKWh), fmt.Sprintf("energy saved in each hour times its price; the interval at the mean price of %.4g %s/kWh; demand charges are not in it", perKWh, c.site.Tariff.Currency))
	if len(c.site.Tariff.Demand) > 0 {
		c.out.Figures[len(c.out.Figures)-1].Note = "without demand charges"
	}
}

func (c *comparer) peak() {
	kW, half, hours, by, absent := c.peakSaving()
	if absent != "" {
		c.out.Figures = append(c.out.Figures, Figure{Name: "peak_power_saved", Absent: absent})
		return
	}
	c.figure("peak_power_saved", "kW", kW, half, fmt.Sprintf("mean power saved over the %d hours of the period after in the programme's window (%s), by the model %q", hours, c.q.PeakText, by.Name))
	f := &c.out.Figures[len(c.out.Figures)-1]
	f.Denominator = fmt.Sprintf("%d hours in the window", hours)
}

// other gives the saving with air held equal beside one that counts it, and the
// other way round.
func (c *comparer) other(m *triedModel) {
	name, beside := "energy_saved_in_all", c.usable(modelDayHour)
	if beside == nil {
		beside = c.usable(modelDayType)
	}
	if m.Scope == inAll {
		name = "energy_saved_equal_air"
		beside, _ = c.bestByAir()
	}
	if beside == nil {
		c.out.Figures = append(c.out.Figures, Figure{Name: name, Absent: "no such model can be made, or none keeps the limits"})
		return
	}
	year, half, _, _ := c.yearOf(beside)
	c.figure(name, "kWh/year", year.Value, half, fmt.Sprintf("the same by the model %q: %s", beside.Name, beside.Scope))
}

func (c *comparer) noModel() string {
	for _, p := range []*periodHours{&c.before, &c.after} {
		if p.absent != "" {
			return "energy: " + p.absent
		}
	}
	switch {
	case len(c.before.Rows) == 0:
		return "the period before has no hour of which enough was observed"
	case len(c.after.Rows) == 0:
		return "the period after has no hour of which enough was observed"
	}
	for _, m := range c.tried {
		if (c.q.Model == m.Name || c.q.Model == "" || c.q.Model == modelAuto) && m.Absent != "" {
			return fmt.Sprintf("model %q: %s", m.Name, m.Absent)
		}
	}
	return "no model keeps its limits"
}

func (c *comparer) sentence(m *triedModel, kWh, half, base float64) {
	word, v := "saved", kWh
	if kWh < 0 {
		word, v = "used more", -kWh
	}
	shown, pm := Rounded(v, half)
	share, sharePM := Rounded(100*v/base, 100*half/base)
	head := fmt.Sprintf("%s ± %s kWh a year %s %s (%s ± %s %%)", shown, pm, word, m.Scope, share, sharePM)
	if m.Scope == inAll {
		head = fmt.Sprintf("%s ± %s kWh a year %s in all, %s (%s ± %s %%)", shown, pm, word, c.airAmongIt(), share, sharePM)
	}
	switch {
	case c.out.Told:
		c.out.Sentence = head + ": more than its uncertainty, so it is not zero."
	case math.Abs(kWh) > half:
		c.out.Sentence = head + ": more than its uncertainty, but air that is not metered cannot show that it is not zero."
	default:
		c.out.Sentence = head + ": no more than its uncertainty, so it may be zero."
	}
	if len(c.out.Limits) > 0 {
		c.out.Sentence += fmt.Sprintf(" %d things limit its use.", len(c.out.Limits))
		if len(c.out.Limits) == 1 {
			c.out.Sentence = strings.Replace(c.out.Sentence, "1 things limit", "One thing limits", 1)
		}
	}
}

// blind reports a saving at equal air that is no air of a meter's: what changed the
// cycles changed the air that is made of them.
func (c *comparer) blind(m *triedModel) bool {
	return m.Scope == atEqualAir && (!c.before.metered || !c.after.metered)
}

// airAmongIt says what a saving in all counts of the air.
func (c *comparer) airAmongIt() string {
	share, half := Rounded(100*math.Abs(c.air.share), 100*c.air.half)
	switch {
	case !c.air.told:
		return "any change of the air among it"
	case c.air.share > 0:
		return fmt.Sprintf("%s ± %s %% more air among it", share, half)
	}
	return fmt.Sprintf("%s ± %s %% less air among it", share, half)
}

// Rounded writes a value and its half width, both to two figures of the half width.
func Rounded(v, half float64) (string, string) {
	digits := 1
	if half > 0 && !math.IsInf(half, 0) {
		digits = 1 - int(math.Floor(math.Log10(half)))
	}
	round := func(x float64) string {
		step := math.Pow10(-digits)
		return strconv.FormatFloat(float64(math.Round(x/step)*step)+0, 'f', max(0, digits), 64) // + 0: no -0
	}
	return round(v), round(half)
}

// equal says what was alike in both periods and what was not.
func (c *comparer) equal() {
	c.out.Equal, c.out.Unequal = []string{}, []string{}
	note := func(alike bool, format string, args ...any) {
		to := &c.out.Unequal
		if alike {
			to = &c.out.Equal
		}
		*to = append(*to, fmt.Sprintf(format, args...))
	}
	b, a := &c.before.facts, &c.after.facts
	switch {
	case !c.air.known:
		note(false, "air: not known for every hour, so that it is not said whether it changed")
	default:
		share, half := Rounded(100*c.air.share, 100*c.air.half)
		note(!c.air.told, "air at equal day types: %s ± %s %% against before", share, half)
	}
	if b.PressureKPa != nil && a.PressureKPa != nil {
		d := *a.PressureKPa - *b.PressureKPa
		note(math.Abs(d) < 5, "mean pressure while running: %s before, %s after", shownIn(c.site, *b.PressureKPa, "kPa"), shownIn(c.site, *a.PressureKPa, "kPa"))
	} else {
		note(false, "pressure: at least one of the periods has no mean, so that it is not said whether it changed")
	}
	if b.AmbientC != nil && a.AmbientC != nil {
		note(math.Abs(*a.AmbientC-*b.AmbientC) < 3, "mean room temperature: %s before, %s after; no model corrects for it", shownIn(c.site, *b.AmbientC, "°C"), shownIn(c.site, *a.AmbientC, "°C"))
	} else {
		note(false, "weather: no room temperature is known of both periods, and nothing corrects for it")
	}
	switch {
	case c.production == nil:
		note(false, "production: not given; the day types alone stand for it")
	case c.out.Chosen == modelProduction:
		note(true, "production: allowed for by the model")
	default:
		note(false, "production: %.4g before, %.4g after; the model does not use it", *b.Production, *a.Production)
	}
	note(true, "shifts: the site file's of today are taken for both periods")
}

func (c *comparer) limit(format string, args ...any) {
	c.out.Limits = append(c.out.Limits, fmt.Sprintf(format, args...))
}

// limits says where the saving must not be used.
func (c *comparer) limits() {
	c.out.Limits = []string{}
	for _, p := range []struct {
		name string
		span Span
		of   *periodHours
	}{{"before", c.q.Before, &c.before}, {"after", c.q.After, &c.after}} {
		if min(p.span.ToMS, c.q.NowMS)-p.span.FromMS < weekMS-2*hourMS { // in the week in which clocks go forward an hour is missing
			c.limit("the period %s is shorter than one whole week: it does not show a week's days", p.name)
		}
		if p.of.Whole > 0 && float64(p.of.LeftOut) > 0.1*float64(p.of.Whole) {
			c.limit("%d of the %d hours %s are left out, since less than %.0f %% of them was observed", p.of.LeftOut, p.of.Whole, p.name, 100*leastCoverage)
		}
	}
	if len(c.before.inputs) > 0 && len(c.after.inputs) > 0 && !slices.Equal(devicesOf(c.before.inputs), devicesOf(c.after.inputs)) {
		c.limit("energy comes from other instruments in the two periods (%s; %s): their errors are taken as independent",
			strings.Join(c.before.inputs, ", "), strings.Join(c.after.inputs, ", "))
	}
	for _, change := range c.q.Changes {
		more := ""
		if change.Meters {
			more = "; the meters' errors are taken as independent"
		}
		c.limit("settings changed between the periods or in them: %s%s", strings.TrimSuffix(change.Text, "."), more)
	}
	if b := &c.before; b.facts.AirM3 != nil && (!b.metered || !c.after.metered) {
		c.limit("air rests on a flow that is not metered and the time loaded: a saving at equal air cannot see a machine that wears or is mended, nor flow that changes with pressure")
	}
	if c.reckoned() {
		c.limit("energy is reckoned from a current, not metered: a programme will hardly take it")
	}
	c.productionLimits()
	if m := c.chosen; m != nil {
		c.modelLimits(m)
	}
}

// reckoned reports whether energy of one of the periods is made of a current.
func (c *comparer) reckoned() bool { return c.before.reckoned || c.after.reckoned }

// productionLimits names the days that the production file passes over.
func (c *comparer) productionLimits() {
	if c.production == nil {
		return
	}
	for i, p := range []*periodHours{&c.before, &c.after} {
		name := []string{"before", "after"}[i]
		days, lack := map[int64]bool{}, 0
		for k := range p.Rows {
			if d := p.Rows[k].Date; !days[d] {
				days[d] = true
				if _, ok := c.production[d]; !ok {
					lack++
				}
			}
		}
		if lack > 0 {
			c.limit("%d of the %d days %s have no line in the production file: they are left out of its model, and count as none in the sum", lack, len(days), name)
		}
	}
}

func (c *comparer) modelLimits(m *triedModel) {
	if !m.KeepsLimits {
		c.limit("the model's CV(RMSE) of %.1f %% or its NMBE lies over the limit of %.0f %%: a programme will hardly take it", 100*m.fit.CVRMSE, 100*m.limits.CVRMSE)
	}
	if m.Name == modelAir || m.Name == modelAirShift || m.Name == modelProduction {
		low, high := math.Inf(1), math.Inf(-1)
		for i := range m.before {
			low, high = min(low, m.before[i].X[0]), max(high, m.before[i].X[0])
		}
		out := 0
		for i := range m.after {
			if x := m.after[i].X[0]; x < low || x > high {
				out++
			}
		}
		if out > len(m.after)/20 {
			c.limit("%d of the %d points after lie outside the range of %s before: the baseline is stretched beyond what it was made from", out, len(m.after), m.names[0])
		}
	}
	switch made := c.tryOf(modelProduction); {
	case m.Scope != inAll || m.Name == modelProduction:
	case made != nil && made.Absent != "":
		c.limit("the production file could not be used (%s), so that nothing shows that as much was made in both periods", made.Absent)
	case made != nil:
		c.limit("the production file is not used by this model, so that nothing shows that as much was made in both periods: --model production uses it")
	default:
		c.limit("nothing shows that as much was made in both periods: give --production, or use --model air for what was saved at equal air")
	}
}
