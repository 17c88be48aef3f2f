package baseline

import "math"

// Level is that of every interval.
const Level = 0.95

// Scope says which points a saving is of, and how many parameters tell days
// apart.
type Scope struct {
	// Before are the places of the fit's points that are of the same kind as
	// those after (all of them; or those in a window of the day): their
	// residuals say what the points after may err by.
	Before []int
	// DayParameters is how many of the model's parameters one day's sum of
	// residuals takes up: the day types of a model by day types, else all.
	DayParameters int
	// Weights say how often each point after counts, as where a week stands for
	// a year; nil: once each.
	Weights []float64
}

func (s *Scope) weight(i int) float64 {
	if s.Weights == nil {
		return 1
	}
	return s.Weights[i]
}

// Saving is the baseline projected on the points after, less what was measured.
type Saving struct {
	Baseline, Measured float64
	Value              float64 // Baseline − Measured
	Half               float64 // half width of the interval, of the model alone
	ByDays             bool    // days made the wider interval, else hours
	Freedom            float64 // degrees of freedom behind Half
	Points, Days       int     // after
	// GuidelineHalf is the half width in Guideline 14's form, and
	// Fractional68 its half width at 68 % as a share of the saving (both from
	// memory); 0 where nothing was saved.
	GuidelineHalf, Fractional68 float64
}

// Save projects the fit of the points before on the points after.
func (f *Fit) Save(before, after []Point, scope Scope) Saving {
	s := Saving{Points: len(after)}
	direction := make([]float64, len(f.means)) // Σ(x − mean) over the points after
	var m, squares, daySquares float64         // sums of weights, of their squares, and of those of days
	type day struct{ weight, points float64 }
	days := map[int64]*day{}
	var order []*day
	for i := range after {
		w := scope.weight(i)
		m += w
		squares += float64(w * w)
		s.Baseline += float64(w * f.Predict(after[i].X))
		s.Measured += float64(w * after[i].Y)
		for j, x := range after[i].X {
			direction[j] += float64(w * (x - f.means[j]))
		}
		d := days[after[i].Day]
		if d == nil {
			d = &day{}
			days[after[i].Day] = d
			order = append(order, d)
		}
		d.weight += w
		d.points++
	}
	s.Value, s.Days = s.Baseline-s.Measured, len(days)
	if len(after) == 0 {
		return s
	}
	for _, d := range order { // in order: sums in a map's would differ from run to run
		mean := d.weight / d.points
		daySquares += float64(mean * mean)
	}
	hours, hoursFree := f.byPoints(m, squares, direction, scope)
	byDay, daysFree := f.byDays(before, m, daySquares, direction, scope)
	hoursHalf := Quantile(Level, hoursFree) * hours
	s.Half, s.Freedom = hoursHalf, hoursFree
	if half := Quantile(Level, daysFree) * byDay; half > s.Half {
		s.Half, s.Freedom, s.ByDays = half, daysFree, true
	}
	s.guideline(f, float64(len(after)))
	return s
}

// byPoints is the standard uncertainty of the saving if residuals follow one
// another as their lag-1 autocorrelation says.
func (f *Fit) byPoints(m, squares float64, direction []float64, scope Scope) (u, free float64) {
	n := float64(f.N)
	own := 0.0 // variance of a point of the kind of those after
	for _, i := range scope.Before {
		own += float64(f.Residuals[i] * f.Residuals[i])
	}
	shared := float64(n / float64(f.N-f.P))
	own = float64(own * shared / math.Max(1, float64(len(scope.Before))))
	variance := float64(f.RMSE * f.RMSE)
	inflate := n / f.EffectiveN
	of := float64(own*squares) + float64(variance*(float64(m*m)/n+f.quadratic(direction)))
	return math.Sqrt(float64(of * inflate)), math.Max(1, f.EffectiveN-float64(f.P))
}

// byDays is the same with nothing assumed of the hours within a day.
func (f *Fit) byDays(before []Point, m, daySquares float64, direction []float64, scope Scope) (u, free float64) {
	pull, plain := map[int64]float64{}, map[int64]float64{}
	var order []int64 // sums go in the order of the days: maps have none
	for i := range before {
		d := before[i].Day
		if _, ok := pull[d]; !ok {
			order = append(order, d)
		}
		weight := m/float64(f.N) + dot(f.weights[i], direction)
		pull[d] += float64(weight * f.Residuals[i])
	}
	for _, i := range scope.Before {
		plain[before[i].Day] += f.Residuals[i]
	}
	free = float64(len(order) - scope.DayParameters)
	if free < 1 {
		return 0, 1
	}
	var fitted, own float64
	for _, d := range order {
		fitted += float64(pull[d] * pull[d])
		own += float64(plain[d] * plain[d])
	}
	spread := float64(len(order)) / free
	own = float64(own * spread / math.Max(1, float64(len(plain))))
	return math.Sqrt(float64(fitted*spread) + float64(own*daySquares)), free
}

// guideline is the fractional savings uncertainty of ASHRAE Guideline 14 for
// hourly and daily data, from memory: t·1.26·CV(RMSE)/F·√((n/n')·(1+2/n')/m),
// F being the share saved.
func (s *Saving) guideline(f *Fit, m float64) {
	if f.MeanY == 0 || f.EffectiveN <= 0 {
		return
	}
	root := math.Sqrt(float64(float64(f.N)/f.EffectiveN) * (1 + 2/f.EffectiveN) / m)
	share := float64(1.26 * f.CVRMSE * root) // of the baseline, for t = 1
	free := math.Max(1, f.EffectiveN-float64(f.P))
	s.GuidelineHalf = math.Abs(float64(Quantile(Level, free) * share * s.Baseline))
	if s.Value != 0 {
		s.Fractional68 = math.Abs(float64(Quantile(0.68, free)*share*s.Baseline) / s.Value)
	}
}

// Limits are what programmes ask of a model by the time step of its points:
// ASHRAE Guideline 14 and FEMP, from memory, not read.
type Limits struct {
	CVRMSE float64
	NMBE   float64
	// Fractional is the share of the saving that its half width at 68 % may
	// reach.
	Fractional float64
}

// HourlyLimits and DailyLimits are from memory. For hours: CV(RMSE) at most
// 30 %, NMBE at most 10 %; for days some programmes write 25 or 30 %, the
// narrower 20 % is taken here.
func HourlyLimits() Limits { return Limits{CVRMSE: 0.30, NMBE: 0.10, Fractional: 0.50} }

// DailyLimits: see HourlyLimits.
func DailyLimits() Limits { return Limits{CVRMSE: 0.20, NMBE: 0.05, Fractional: 0.50} }

// Kept reports whether a fit keeps the limits.
func (l Limits) Kept(f *Fit) bool {
	return f.CVRMSE <= l.CVRMSE && math.Abs(f.NMBE) <= l.NMBE
}
