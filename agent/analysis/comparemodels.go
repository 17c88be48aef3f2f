package analysis

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"loadscribe/agent/baseline"
)

// The kinds of baseline.
const (
	modelAir        = "air"
	modelAirShift   = "air-shift"
	modelDayType    = "day-type"
	modelDayHour    = "day-hour"
	modelProduction = "production"
	modelAuto       = "auto"
)

// ModelNames are what CompareQuery.Model may be.
func ModelNames() []string {
	return []string{modelAuto, modelAir, modelAirShift, modelDayType, modelDayHour, modelProduction}
}

func knownModel(name string) error {
	if name != "" && !slices.Contains(ModelNames(), name) {
		return wrongly("model", "%q is not known: use %s", name, strings.Join(ModelNames(), ", "))
	}
	return nil
}

// What a model holds equal.
const (
	atEqualAir = "at equal air"
	inAll      = "in all"
)

// ComparedModel is one baseline that was tried.
type ComparedModel struct {
	Name  string `json:"name"`
	What  string `json:"what"`
	Scope string `json:"scope"` // "at equal air": air saved does not count; "in all": it does
	// Absent says why there is none; the rest is then left out.
	Absent       string             `json:"absent,omitempty"`
	Points       int                `json:"points,omitempty"`
	Parameters   int                `json:"parameters,omitempty"`
	R2           *float64           `json:"r2,omitempty"`
	CVRMSE       *float64           `json:"cv_rmse,omitempty"`
	NMBE         *float64           `json:"nmbe,omitempty"`
	Rho          *float64           `json:"autocorrelation,omitempty"` // lag 1, of the residuals
	EffectiveN   *float64           `json:"effective_points,omitempty"`
	Coefficients []ModelCoefficient `json:"coefficients,omitempty"`
	KeepsLimits  bool               `json:"keeps_limits"`
	// Over the period after, kWh: what the baseline would have taken, what was
	// measured, what was saved, and half the width of its 95 % interval: of the
	// model, and with the meters.
	BaselineKWh  *float64 `json:"baseline_kwh,omitempty"`
	MeasuredKWh  *float64 `json:"measured_kwh,omitempty"`
	SavingKWh    *float64 `json:"saving_kwh,omitempty"`
	ModelKWh     *float64 `json:"model_uncertainty_kwh,omitempty"`
	Uncertainty  *float64 `json:"uncertainty_kwh,omitempty"`
	WiderBy      string   `json:"wider_by,omitempty"` // days or hours: which gave the interval
	GuidelineKWh *float64 `json:"guideline_uncertainty_kwh,omitempty"`
	Fractional68 *float64 `json:"fractional_uncertainty_68,omitempty"`
}

// ModelCoefficient is one coefficient with its standard error and t.
type ModelCoefficient struct {
	Name  string  `json:"name"`
	Unit  string  `json:"unit"`
	Value float64 `json:"value"`
	Error float64 `json:"error"`
	T     float64 `json:"t"`
}

// triedModel is a baseline with what it is made of. Points are in kWh.
type triedModel struct {
	ComparedModel
	names         []string // of the regressors
	units         []string
	before, after []baseline.Point
	rows          []int // hours after that points after come from; nil for days
	beforeRows    []int
	days          int // day parameters; 0: all
	daily         bool
	limits        baseline.Limits
	fit           *baseline.Fit
	saving        baseline.Saving
	measuredU     float64       // standard uncertainty of the saving from the meters, kWh
	curve         *baseline.Fit // of a model by air: with the square of the air beside it; nil: none can be made
}

// try fits every model.
func (c *comparer) try() {
	c.tried = []*triedModel{c.byAir(false), c.byAir(true), c.byDayType(false), c.byDayType(true)}
	if c.production != nil {
		c.tried = append(c.tried, c.byProduction())
	}
	for _, m := range c.tried {
		c.fitModel(m)
	}
	for _, m := range c.tried {
		if m.Absent == "" && m.Scope == atEqualAir {
			wider := quad(*m.Uncertainty, c.formSpread(m, nil))
			m.Uncertainty = &wider
		}
	}
}

// formSpread is by how much a saving at equal air differs at most, in kWh, by the
// form of the model: as a straight line in the air, with a base of its own in shift
// hours, or bent. The scatter about one form does not show that it is the wrong one:
// a machine that loads and unloads takes more for each cubic metre at half load than
// a straight line has it, so that leaks alone would look like a worse machine.
func (c *comparer) formSpread(m *triedModel, weights []float64) (spread float64) {
	saved := func(fit *baseline.Fit, after []baseline.Point) (kWh float64) {
		for i := range after {
			w := 1.0
			if weights != nil {
				w = weights[i]
			}
			kWh += float64(w * (fit.Predict(after[i].X) - after[i].Y))
		}
		return kWh
	}
	own := saved(m.fit, m.after)
	for _, other := range c.tried {
		if other.Absent != "" || other.Scope != atEqualAir || len(other.after) != len(m.after) {
			continue
		}
		spread = max(spread, math.Abs(saved(other.fit, other.after)-own))
		if other.curve != nil {
			spread = max(spread, math.Abs(saved(other.curve, bent(other.after))-own))
		}
	}
	return spread
}

// bent are points with the square of the air as one more driver.
func bent(points []baseline.Point) []baseline.Point {
	all := make([]baseline.Point, len(points))
	for i, p := range points {
		p.X = append(slices.Clone(p.X), float64(p.X[0]*p.X[0]))
		all[i] = p
	}
	return all
}

// model begins one of the kinds.
func model(name, what, scope string) *triedModel {
	return &triedModel{ComparedModel: ComparedModel{Name: name, What: what, Scope: scope}, limits: baseline.HourlyLimits()}
}

// byAir is energy an hour against the hour's air.
func (c *comparer) byAir(shift bool) *triedModel {
	m := model(modelAir, "energy of an hour against its air", atEqualAir)
	m.names, m.units = []string{"air"}, []string{"kWh/m³"}
	if shift {
		m = model(modelAirShift, "energy of an hour against its air, with another base in shift hours", atEqualAir)
		m.names, m.units = []string{"air", "shift hours"}, []string{"kWh/m³", "kWh/h"}
		if len(c.site.Shifts) == 0 {
			m.Absent = "no shifts in the site file"
			return m
		}
	}
	c.hourPoints(m, func(h *Hour) []float64 {
		if h.AirM3 == nil {
			return nil
		}
		x := []float64{*h.AirM3}
		if shift {
			x = append(x, oneIf(h.Shift))
		}
		return x
	})
	if m.Absent == "" && len(m.before) < len(c.before.Rows)/2 {
		m.Absent = "the air is not known in most of the hours before"
	}
	return m
}

func oneIf(yes bool) float64 {
	if yes {
		return 1
	}
	return 0
}

// byDayType is the mean energy of an hour by day type and shift, or by day type
// and hour of the clock.
func (c *comparer) byDayType(hours bool) *triedModel {
	m := model(modelDayType, "mean energy of an hour by day type, shift hours apart", inAll)
	key := func(h *Hour) string {
		if h.Shift {
			return h.DayType + ", shift"
		}
		return h.DayType
	}
	if hours {
		m = model(modelDayHour, "mean energy of an hour by day type and hour of the clock", inAll)
		key = func(h *Hour) string { return fmt.Sprintf("%s %02d h", h.DayType, h.ClockHour) }
	}
	cells := map[string]int{}
	for i := range c.before.Rows {
		k := key(&c.before.Rows[i])
		if _, ok := cells[k]; !ok {
			cells[k] = len(cells)
			if len(cells) > 1 {
				m.names, m.units = append(m.names, k+" over "+key(&c.before.Rows[0])), append(m.units, "kWh/h")
			}
		}
	}
	m.days = max(1, len(c.types))
	missing := ""
	c.hourPoints(m, func(h *Hour) []float64 {
		i, ok := cells[key(h)]
		if !ok {
			missing = key(h)
			return nil
		}
		x := make([]float64, len(cells)-1)
		if i > 0 {
			x[i-1] = 1
		}
		return x
	})
	switch {
	case missing != "":
		m.Absent = fmt.Sprintf("the period before has no hour of %q to set against those after", missing)
	case len(m.before) < 2*len(cells):
		m.Absent = fmt.Sprintf("%d hours before are too few for %d means", len(m.before), len(cells))
	}
	return m
}

// hourPoints makes a point of each hour; drivers returns nil where one is not
// known.
func (c *comparer) hourPoints(m *triedModel, drivers func(h *Hour) []float64) {
	take := func(rows []Hour) (points []baseline.Point, from []int) {
		for i := range rows {
			if x := drivers(&rows[i]); x != nil {
				points = append(points, baseline.Point{At: rows[i].StartMS / hourMS, Day: rows[i].Date, Y: rows[i].EnergyJ / joulesPerKWh, X: x})
				from = append(from, i)
			}
		}
		return points, from
	}
	m.before, m.beforeRows = take(c.before.Rows)
	m.after, m.rows = take(c.after.Rows)
}

// byProduction is energy a day against what was made on it.
func (c *comparer) byProduction() *triedModel {
	m := model(modelProduction, "energy of a day against its production", inAll)
	m.names, m.units, m.daily, m.limits = []string{"production"}, []string{"kWh each"}, true, baseline.DailyLimits()
	m.before = c.dayPoints(c.before.Rows)
	m.after = c.dayPoints(c.after.Rows)
	if len(m.before) == 0 || len(m.after) == 0 {
		m.Absent = "no whole day of one of the periods has a production"
	}
	return m
}

// dayPoints are the days whose hours are nearly all there and whose production
// is known.
func (c *comparer) dayPoints(rows []Hour) (points []baseline.Point) {
	for i := 0; i < len(rows); {
		date, sum, n := rows[i].Date, 0.0, 0
		for ; i < len(rows) && rows[i].Date == date; i++ {
			sum += rows[i].EnergyJ / joulesPerKWh
			n++
		}
		made, ok := c.production[date]
		hours := c.hoursOn(date)
		if ok && float64(n) >= float64(leastCoverage*hours)-1 {
			points = append(points, baseline.Point{At: date, Day: date, Y: sum * hours / float64(n), X: []float64{made}})
		}
	}
	return points
}

// hoursOn is how many hours the local date has.
func (c *comparer) hoursOn(date int64) float64 {
	y, mo, d := millis(date * dayMS).UTC().Date()
	begin := func(d int) time.Time { return time.Date(y, mo, d, 0, 0, 0, 0, c.site.Location) }
	return begin(d + 1).Sub(begin(d)).Hours()
}

// fitModel fits one model and projects it on the period after.
func (c *comparer) fitModel(m *triedModel) {
	if m.Absent != "" {
		return
	}
	if len(m.after) == 0 {
		m.Absent = "no hour after has what the model needs"
		return
	}
	fit, err := baseline.Regress(m.before)
	if err != nil {
		m.Absent = err.Error()
		return
	}
	m.fit = fit
	if m.Scope == atEqualAir {
		m.curve, _ = baseline.Regress(bent(m.before)) // no bend can be told: nothing to add
	}
	m.saving = fit.Save(m.before, m.after, m.scope(nil, nil))
	m.measuredU = c.metersU(&m.saving)
	half := quad(m.saving.Half, coverageFactor*m.measuredU)
	s := &m.saving
	m.Points, m.Parameters, m.KeepsLimits = fit.N, fit.P, m.limits.Kept(fit)
	m.R2, m.CVRMSE, m.NMBE, m.Rho, m.EffectiveN = &fit.R2, &fit.CVRMSE, &fit.NMBE, &fit.Rho, &fit.EffectiveN
	m.BaselineKWh, m.MeasuredKWh, m.SavingKWh, m.ModelKWh, m.Uncertainty = &s.Baseline, &s.Measured, &s.Value, &s.Half, &half
	m.GuidelineKWh, m.Fractional68 = &s.GuidelineHalf, &s.Fractional68
	if m.WiderBy = "hours"; s.ByDays || m.daily {
		m.WiderBy = "days"
	}
	m.Coefficients = []ModelCoefficient{{"base", "kWh/h", fit.Coefficients[0], fit.Errors[0], fit.T[0]}}
	if m.daily {
		m.Coefficients[0].Unit = "kWh/d"
	}
	for i, name := range m.names {
		m.Coefficients = append(m.Coefficients, ModelCoefficient{name, m.units[i], fit.Coefficients[i+1], fit.Errors[i+1], fit.T[i+1]})
	}
}

// scope is that of all points, or of the hours that which picks, with weights
// for those after.
func (m *triedModel) scope(which func(i int) bool, weights []float64) baseline.Scope {
	s := baseline.Scope{DayParameters: m.days, Weights: weights}
	if m.days == 0 {
		s.DayParameters = m.fit.P
	}
	for i := range m.before {
		if which == nil || which(i) {
			s.Before = append(s.Before, i)
		}
	}
	return s
}

// metersU is what the meters add to a saving: one meter's error of scale is the
// same in both periods and goes by the saving alone; two meters' are not.
func (c *comparer) metersU(s *baseline.Saving) float64 {
	if c.sameMeters() {
		return math.Abs(float64(s.Value * max(c.before.relative, c.after.relative)))
	}
	return quad(s.Baseline*c.before.relative, s.Measured*c.after.relative)
}

func (c *comparer) sameMeters() bool {
	changed := slices.ContainsFunc(c.q.Changes, func(s SettingChange) bool { return s.Meters })
	return !changed && slices.Equal(devicesOf(c.before.inputs), devicesOf(c.after.inputs))
}

// devicesOf are the instruments behind inputs, sorted: a counter and a power of
// one meter are one.
func devicesOf(inputs []string) []string {
	var all []string
	for _, in := range inputs {
		device, _, _ := strings.Cut(in, ".")
		all = append(all, device)
	}
	slices.Sort(all)
	return slices.Compact(all)
}
