package baseline

import (
	"math"
	"math/rand/v2"
	"testing"
)

// TestGuidelineForm computes the fractional savings uncertainty of Guideline 14
// by hand (from memory): t·1.26·CV(RMSE)/F·√((n/n')(1+2/n')/m).
func TestGuidelineForm(t *testing.T) {
	before, after := plantHours(rand.New(rand.NewPCG(3, 1)), 14, 0.5, 3), plantHours(rand.New(rand.NewPCG(4, 1)), 7, 0.5, 3)
	f, err := Regress(before)
	if err != nil {
		t.Fatal(err)
	}
	for i := range after {
		after[i].Y *= 0.9
	}
	s := f.Save(before, after, wholeScope(f))
	n := float64(f.N)
	nEff := n * (1 - f.Rho) / (1 + f.Rho)
	near(t, "n'", f.EffectiveN, nEff, 1e-12)
	share := s.Value / s.Baseline
	want := Quantile(0.95, nEff-2) * 1.26 * f.CVRMSE / share * math.Sqrt(n/nEff*(1+2/nEff)/float64(len(after)))
	near(t, "fractional savings uncertainty", s.GuidelineHalf/s.Value, want, 1e-12)
}

// TestSavingIdentities: the saving is linear in what is taken off, nothing
// taken off the fit's own points saves nothing, and the mean model has the
// interval of a textbook's difference of two means.
func TestSavingIdentities(t *testing.T) {
	before := plantHours(rand.New(rand.NewPCG(5, 1)), 14, 0, 2)
	f, err := Regress(before)
	if err != nil {
		t.Fatal(err)
	}
	same := f.Save(before, before, wholeScope(f))
	if math.Abs(same.Value) > 1e-9*same.Baseline {
		t.Errorf("against itself: saved %g of %g, want 0", same.Value, same.Baseline)
	}
	less := append([]Point(nil), before...)
	for i := range less {
		less[i].Y -= 2
	}
	near(t, "two less an hour", f.Save(before, less, wholeScope(f)).Value, 2*float64(len(less)), 1e-9)

	var values, later []Point
	random := rand.New(rand.NewPCG(6, 1))
	for i := range 40 {
		values = append(values, Point{At: int64(3 * i), Day: int64(i), Y: 10 + random.NormFloat64()})
		later = append(later, Point{At: int64(3 * i), Day: int64(i), Y: 9})
	}
	mean, err := Regress(values)
	if err != nil {
		t.Fatal(err)
	}
	s := mean.Save(values, later[:10], wholeScope(mean))
	want := Quantile(0.95, 39) * mean.RMSE * math.Sqrt(10+100.0/40)
	near(t, "half width of a mean's saving", s.Half, want, 1e-9)
	scope := wholeScope(mean)
	for range 10 {
		scope.Weights = append(scope.Weights, 36)
	}
	year := mean.Save(values, later[:10], scope)
	near(t, "saving of a year", year.Value, 36*s.Value, 1e-9)
	near(t, "its half width", year.Half, 36*s.Half, 1e-9)
}

func wholeScope(f *Fit) Scope {
	s := Scope{DayParameters: f.P}
	for i := range f.N {
		s.Before = append(s.Before, i)
	}
	return s
}

// plantHours invents an hourly plant: energy = 4 + 2·air + noise whose hours
// follow one another with correlation rho, and days that differ by dayU.
func plantHours(random *rand.Rand, days int, rho, noise float64) []Point {
	return plantDays(random, days, rho, noise, 0)
}

func plantDays(random *rand.Rand, days int, rho, noise, dayU float64) []Point {
	var all []Point
	e := noise * random.NormFloat64()
	for h := range 24 * days {
		air := 5 + 4*random.Float64()
		if h%24 >= 7 && h%24 < 17 {
			air += 10
		}
		e = rho*e + noise*math.Sqrt(1-rho*rho)*random.NormFloat64()
		all = append(all, Point{At: int64(h), Day: int64(h / 24), Y: 4 + 2*air + e, X: []float64{air}})
	}
	for d := range days {
		off := dayU * random.NormFloat64()
		for h := range 24 {
			all[24*d+h].Y += off
		}
	}
	return all
}

// TestCoverage plays many pairs of periods of which the saving is known, and
// counts how often the interval holds it.
func TestCoverage(t *testing.T) {
	if testing.Short() {
		t.Skip("one goroutine, and slow under the race detector; not under -short")
	}
	tests := []struct {
		name        string
		days, after int
		rho, dayU   float64
		least, most float64 // share of the intervals that must hold the truth
	}{
		{"two weeks, hours apart", 14, 14, 0, 0, 0.93, 0.99},
		{"two weeks, hours alike", 14, 14, 0.7, 0, 0.93, 0.995},
		{"one week, hours alike", 7, 7, 0.7, 0, 0.93, 0.999},
		{"two weeks, days differ", 14, 14, 0.3, 1.5, 0.93, 0.995},
		{"a week before four", 7, 28, 0.5, 1, 0.93, 0.999},
	}
	const plays = 600
	for i, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			random := rand.New(rand.NewPCG(uint64(i), 77))
			held, width := 0, 0.0
			for range plays {
				before, after := plantDays(random, test.days, test.rho, 3, test.dayU), plantDays(random, test.after, test.rho, 3, test.dayU)
				f, err := Regress(before)
				if err != nil {
					t.Fatal(err)
				}
				saved := 0.0
				for j := range after {
					part := 0.08 * after[j].Y
					after[j].Y -= part
					saved += part
				}
				s := f.Save(before, after, wholeScope(f))
				if math.Abs(s.Value-saved) <= s.Half {
					held++
				}
				width += s.Half / s.Baseline / plays
			}
			share := float64(held) / plays
			t.Logf("the interval held the saving in %.1f %% of %d plays, mean half width %.2f %% of the baseline", 100*share, plays, 100*width)
			if share < test.least || share > test.most {
				t.Errorf("held in %.3f of the plays, want %.3f to %.3f", share, test.least, test.most)
			}
		})
	}
}
