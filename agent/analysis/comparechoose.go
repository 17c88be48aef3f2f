package analysis

import (
	"fmt"
	"math"

	"loadscribe/agent/baseline"
)

// A driver counts where its coefficient is this many standard errors from
// nothing (common practice in measurement and verification, no source read).
const leastT = 2

// betterCV is how much lower the CV(RMSE) of a model with more parameters must
// be to be taken.
const betterCV = 0.95

func (c *comparer) tryOf(name string) *triedModel {
	for _, m := range c.tried {
		if m.Name == name {
			return m
		}
	}
	return nil
}

func (c *comparer) usable(name string) *triedModel {
	if m := c.tryOf(name); m != nil && m.Absent == "" {
		return m
	}
	return nil
}

// choose takes the model asked for, or the one that suits, and says why.
func (c *comparer) choose() {
	c.air = c.airChange()
	want := c.q.Model
	if want == "" || want == modelAuto {
		c.chosen, c.out.Why = c.suits()
	} else {
		c.chosen, c.out.Why = c.usable(want), "it was asked for"
	}
	if c.chosen != nil {
		c.out.Chosen = c.chosen.Name
	}
	c.out.Models = []ComparedModel{}
	for _, m := range c.tried {
		c.out.Models = append(c.out.Models, m.ComparedModel)
	}
}

// leastFree is how many effective hours (n') more than coefficients a model by
// the hours of the clock needs to be taken by itself: with fewer Student's t alone
// makes its interval several times that of the day types (at 1 it is 12.7).
const leastFree = 10.0

// suits is the choice where none was asked for. Air held equal has the narrowest
// interval, but cannot count air that is no longer used: where the air itself
// changed, a model that counts it is taken. Air that is made of rated flow and
// the time loaded is no driver of its own: a change of the machine or of its
// cycles changes it as well.
func (c *comparer) suits() (*triedModel, string) {
	byAir, whyAir := c.bestByAir()
	metered := c.before.metered && c.after.metered
	if m := c.usable(modelProduction); m != nil && m.KeepsLimits && math.Abs(m.fit.T[1]) >= leastT {
		return m, fmt.Sprintf("energy follows production (t = %.1f, CV(RMSE) %.1f %%), so that a change of production is allowed for and air saved counts", m.fit.T[1], 100*m.fit.CVRMSE)
	}
	byDay := c.usable(modelDayHour)
	if byDay == nil || byDay.fit.EffectiveN-float64(byDay.fit.P) < leastFree {
		if m := c.usable(modelDayType); m != nil {
			byDay = m
		}
	}
	switch {
	case byAir == nil && byDay == nil:
		return nil, ""
	case byAir == nil:
		return byDay, "no model by air can be made; nothing but the day types is allowed for"
	case byDay == nil && !metered:
		return byAir, whyAir + "; air is not metered but made of rated flow and the time loaded, which a change of the machine or its cycles changes as well: it is taken only because no model by days can be made, so do not decide on it alone"
	case byDay == nil || metered && !c.air.known:
		return byAir, whyAir
	case !metered:
		return byDay, "air is not metered but made of rated flow and the time loaded, which a change of the machine or its cycles changes as well; that holds only if as much was made in both periods, which no production file shows"
	case c.air.told:
		return byDay, "the air itself changed by more than its uncertainty, which a model by air would not count; that holds only if as much was made in both periods, which no production file shows"
	}
	return byAir, whyAir + "; the air itself did not change by more than its uncertainty"
}

// bestByAir takes the plainer model unless the other is clearly closer.
func (c *comparer) bestByAir() (*triedModel, string) {
	plain, shift := c.usable(modelAir), c.usable(modelAirShift)
	if plain != nil && (!plain.KeepsLimits || plain.fit.T[1] < leastT) {
		plain = nil
	}
	if shift != nil && (!shift.KeepsLimits || shift.fit.T[1] < leastT || math.Abs(shift.fit.T[2]) < leastT) {
		shift = nil
	}
	text := func(m *triedModel) string {
		return fmt.Sprintf("energy follows the air (R² %.3f, CV(RMSE) %.1f %%, t = %.0f)", m.fit.R2, 100*m.fit.CVRMSE, m.fit.T[1])
	}
	switch {
	case plain == nil && shift == nil:
		return nil, ""
	case plain == nil, shift != nil && shift.fit.CVRMSE < float64(betterCV*plain.fit.CVRMSE):
		return shift, text(shift) + " and another base in shift hours fits better"
	}
	return plain, text(plain)
}

// airChanged is how the air itself changed, at equal day types.
type airChanged struct {
	known, told bool
	share, half float64 // of what it would have been; half width at 95 %
}

func (c *comparer) airChange() (a airChanged) {
	for _, hours := range []bool{true, false} {
		m := c.byDayType(hours)
		if m.Absent != "" {
			continue
		}
		var ok bool
		if m.before, ok = airOf(m.before, m.beforeRows, c.before.Rows); !ok {
			return a
		}
		if m.after, ok = airOf(m.after, m.rows, c.after.Rows); !ok {
			return a
		}
		fit, err := baseline.Regress(m.before)
		if err != nil {
			continue
		}
		s := fit.Save(m.before, m.after, baseline.Scope{Before: everyPlace(len(m.before)), DayParameters: m.days})
		if s.Baseline <= 0 {
			return a
		}
		return airChanged{known: true, told: math.Abs(s.Value) > s.Half, share: -s.Value / s.Baseline, half: s.Half / s.Baseline}
	}
	return a
}

func everyPlace(n int) []int {
	all := make([]int, n)
	for i := range all {
		all[i] = i
	}
	return all
}

// airOf puts the hours' air in place of their energy.
func airOf(points []baseline.Point, rows []int, hours []Hour) ([]baseline.Point, bool) {
	for i := range points {
		air := hours[rows[i]].AirM3
		if air == nil {
			return nil, false
		}
		points[i].Y = *air
	}
	return points, true
}

// weights says how often each point after stands for one of a year, by its day
// type; lacking names the day types of a year that the period after does not
// have.
func (c *comparer) weights(m *triedModel) (weights []float64, lacking []string) {
	typeOf := func(i int) string { return c.after.Rows[m.rows[i]].DayType }
	perDay := 24.0
	if m.daily {
		types := map[int64]string{}
		for i := range c.after.Rows {
			types[c.after.Rows[i].Date] = c.after.Rows[i].DayType
		}
		typeOf = func(i int) string { return types[m.after[i].Day] }
		perDay = 1
	}
	counted := map[string]float64{}
	for i := range m.after {
		counted[typeOf(i)]++
	}
	weights = make([]float64, len(m.after))
	for i := range m.after {
		weights[i] = float64(c.perYear[typeOf(i)]*perDay) / counted[typeOf(i)]
	}
	for _, name := range newDayTypes(c.site).yearTypes() {
		if c.perYear[name] > 0 && counted[name] == 0 {
			lacking = append(lacking, name)
		}
	}
	return weights, lacking
}

// yearOf is a model's saving of a year.
func (c *comparer) yearOf(m *triedModel) (s baseline.Saving, half float64, weights []float64, lacking []string) {
	weights, lacking = c.weights(m)
	s = m.fit.Save(m.before, m.after, m.scope(nil, weights))
	half = quad(s.Half, float64(coverageFactor*c.metersU(&s)))
	if m.Scope == atEqualAir {
		half = quad(half, c.formSpread(m, weights))
	}
	return s, half, weights, lacking
}

// worth is the money saved in a year and the mean price of what was used; ok is
// false where the tariff has no price for some of the time.
func (c *comparer) worth(m *triedModel, weights []float64) (money, perKWh float64, ok bool) {
	if c.site.Tariff.Currency == "" || len(c.site.Tariff.Energy) == 0 {
		return 0, 0, false
	}
	cal := newCalendar(c.site)
	price := make([]float64, len(c.after.Rows))
	byDate := map[int64][2]float64{} // energy, money
	for i := range c.after.Rows {
		p := cal.price(c.after.Rows[i].StartMS)
		if p < 0 {
			return 0, 0, false
		}
		r := &c.after.Rows[i]
		price[i] = c.site.Tariff.Energy[p].PerKWh
		d := byDate[r.Date]
		byDate[r.Date] = [2]float64{d[0] + r.EnergyJ, d[1] + float64(r.EnergyJ*price[i])}
	}
	var kWh, paid float64
	for i := range m.after {
		pt := &m.after[i]
		var each float64
		if !m.daily {
			each = price[m.rows[i]]
		} else if d := byDate[pt.Day]; d[0] > 0 {
			each = d[1] / d[0]
		}
		w := weights[i]
		money += float64(float64(w*(m.fit.Predict(pt.X)-pt.Y)) * each)
		kWh += float64(w * pt.Y)
		paid += float64(float64(w*pt.Y) * each)
	}
	if kWh > 0 {
		perKWh = paid / kWh
	}
	return money, perKWh, true
}

// peakSaving is the mean power saved in the programme's window, in kW.
func (c *comparer) peakSaving() (kW, half float64, hours int, by *triedModel, absent string) {
	if len(c.q.Peak.Windows) == 0 {
		return 0, 0, 0, nil, "no peak window was given"
	}
	m := c.chosen
	if m == nil || m.daily || m.Name == modelDayType {
		// Means over a whole shift say nothing of some of its hours.
		if m = c.usable(modelDayHour); m == nil {
			m = c.usable(modelAir)
		}
	}
	if m == nil {
		return 0, 0, 0, nil, "no hourly model can be made"
	}
	var after []baseline.Point
	for i := range m.after {
		if c.after.Rows[m.rows[i]].Peak {
			after = append(after, m.after[i])
		}
	}
	scope := m.scope(func(i int) bool { return c.before.Rows[m.beforeRows[i]].Peak }, nil)
	if len(after) == 0 || len(scope.Before) == 0 {
		return 0, 0, 0, nil, "one of the periods has no hour of the peak window: choose periods in its months, or leave the months out to see the same hours of other months"
	}
	s := m.fit.Save(m.before, after, scope)
	n := float64(len(after))
	return s.Value / n, quad(s.Half, float64(coverageFactor*c.metersU(&s))) / n, len(after), m, ""
}
