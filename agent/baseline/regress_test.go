package baseline

import (
	"errors"
	"math"
	"testing"
)

// The reference sets of NIST's Statistical Reference Datasets (StRD), linear
// regression, with their certified values; read in public test suites that
// quote them, not at NIST itself.

var norrisX = []float64{0.2, 337.4, 118.2, 884.6, 10.1, 226.5, 666.3, 996.3, 448.6, 777.0, 558.2, 0.4, 0.6, 775.5, 666.9, 338.0,
	447.5, 11.6, 556.0, 228.1, 995.8, 887.6, 120.2, 0.3, 0.3, 556.8, 339.1, 887.2, 999.0, 779.0, 11.1, 118.3, 229.2, 669.1, 448.9, 0.5}

var norrisY = []float64{0.1, 338.8, 118.1, 888.0, 9.2, 228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3, 0.1, 778.1, 668.8, 339.3,
	448.9, 10.8, 557.7, 228.3, 998.0, 888.8, 119.6, 0.3, 0.6, 557.6, 339.3, 888.0, 998.5, 778.9, 10.2, 117.6, 228.9, 668.4, 449.2, 0.2}

var pontiusY = []float64{.11019, .21956, .32949, .43899, .54803, .65694, .76562, .87487, .98292, 1.09146, 1.20001, 1.30822, 1.41599,
	1.52399, 1.63194, 1.73947, 1.84646, 1.95392, 2.06128, 2.16844, .11052, .22018, .32939, .43886, .54798, .65739, .76596, .87474,
	.98300, 1.09150, 1.20004, 1.30818, 1.41613, 1.52408, 1.63159, 1.73965, 1.84696, 1.95445, 2.06177, 2.16829}

var longley = [][]float64{ // y, then the six regressors
	{60323, 83.0, 234289, 2356, 1590, 107608, 1947}, {61122, 88.5, 259426, 2325, 1456, 108632, 1948},
	{60171, 88.2, 258054, 3682, 1616, 109773, 1949}, {61187, 89.5, 284599, 3351, 1650, 110929, 1950},
	{63221, 96.2, 328975, 2099, 3099, 112075, 1951}, {63639, 98.1, 346999, 1932, 3594, 113270, 1952},
	{64989, 99.0, 365385, 1870, 3547, 115094, 1953}, {63761, 100.0, 363112, 3578, 3350, 116219, 1954},
	{66019, 101.2, 397469, 2904, 3048, 117388, 1955}, {67857, 104.6, 419180, 2822, 2857, 118734, 1956},
	{68169, 108.4, 442769, 2936, 2798, 120445, 1957}, {66513, 110.8, 444546, 4681, 2637, 121950, 1958},
	{68655, 112.6, 482704, 3813, 2552, 123366, 1959}, {69564, 114.2, 502601, 3931, 2514, 125368, 1960},
	{69331, 115.7, 518173, 4806, 2572, 127852, 1961}, {70551, 116.9, 554894, 4007, 2827, 130081, 1962}}

func TestRegressCertified(t *testing.T) {
	var norris, pontius, employed []Point
	for i := range norrisX {
		norris = append(norris, Point{At: int64(i), Y: norrisY[i], X: []float64{norrisX[i]}})
	}
	for i, y := range pontiusY {
		load := 150_000 * float64(i%20+1)
		pontius = append(pontius, Point{At: int64(i), Y: y, X: []float64{load, load * load}})
	}
	for i, row := range longley {
		employed = append(employed, Point{At: int64(i), Y: row[0], X: row[1:]})
	}
	tests := []struct {
		name         string
		points       []Point
		coefficients []float64
		errors       []float64
		sd, r2       float64
		digits       float64 // relative
	}{
		{"Norris", norris, []float64{-0.262323073774029, 1.00211681802045}, []float64{0.232818234301152, 0.429796848199937e-03},
			0.884796396144373, 0.999993745883712, 1e-11},
		{"Pontius", pontius, []float64{0.673565789473684e-03, 0.732059160401003e-06, -0.316081871345029e-14},
			[]float64{0.107938612033077e-03, 0.157817399981659e-09, 0.486652849992036e-16}, 0.205177424076185e-03, 0.999999900178537, 1e-9},
		{"Longley", employed, []float64{-3482258.63459582, 15.0618722713733, -0.358191792925910e-01, -2.02022980381683,
			-1.03322686717359, -0.511041056535807e-01, 1829.15146461355},
			[]float64{890420.383607373, 84.9149257747669, 0.334910077722432e-01, 0.488399681651699, 0.214274163161675,
				0.226073200069370, 455.478499142212}, 304.854073561965, 0.995479004577296, 1e-9},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			f, err := Regress(test.points)
			if err != nil {
				t.Fatal(err)
			}
			for i := range test.coefficients {
				near(t, "coefficient", f.Coefficients[i], test.coefficients[i], test.digits)
				near(t, "standard error", f.Errors[i], test.errors[i], test.digits)
				near(t, "t", f.T[i], test.coefficients[i]/test.errors[i], test.digits)
			}
			near(t, "residual standard deviation", f.RMSE, test.sd, test.digits)
			near(t, "R²", f.R2, test.r2, 1e-12)
			if math.Abs(f.NMBE) > 1e-9 {
				t.Errorf("NMBE %g of a fit with an intercept; want 0", f.NMBE)
			}
		})
	}
}

// TestStraightCertified holds the straight line to NIST's certified values of
// Norris' set and, in both uncertainties, to Regress.
func TestStraightCertified(t *testing.T) {
	var points []Point
	for i := range norrisX {
		points = append(points, Point{At: int64(i), Y: norrisY[i], X: []float64{norrisX[i]}})
	}
	l := Straight(len(points), func(i int) (x, y float64) { return points[i].X[0], points[i].Y })
	near(t, "slope", l.Slope, 1.00211681802045, 1e-11)
	near(t, "standard error of the slope", l.USlope, 0.429796848199937e-03, 1e-9)
	near(t, "intercept", l.Value(0), -0.262323073774029, 1e-10)
	f, err := Regress(points)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "standard error of the middle", l.UMean, f.RMSE/math.Sqrt(float64(f.N)), 1e-9)
	if one := Straight(1, func(int) (x, y float64) { return 3, 7 }); one.Value(9) != 7 || !math.IsInf(one.UMean, 1) {
		t.Errorf("a line through one point: %+v, want 7 everywhere and nothing known of it", one)
	}
}

func near(t *testing.T, what string, got, want, relative float64) {
	t.Helper()
	if !(math.Abs(got-want) <= relative*math.Abs(want)) {
		t.Errorf("%s: %.15g, want %.15g within %g of it", what, got, want, relative)
	}
}

func TestRegressRefuses(t *testing.T) {
	if _, err := Regress([]Point{{Y: 1, X: []float64{1}}, {Y: 2, X: []float64{2}}}); !errors.Is(err, ErrFew) {
		t.Errorf("two points through a line: %v, want ErrFew", err)
	}
	if _, err := Regress(nil); !errors.Is(err, ErrFew) {
		t.Errorf("no points: %v, want ErrFew", err)
	}
	same := []Point{{Y: 1, X: []float64{5}}, {Y: 2, X: []float64{5}}, {Y: 3, X: []float64{5}}}
	if _, err := Regress(same); !errors.Is(err, ErrAlike) {
		t.Errorf("a driver that stands still: %v, want ErrAlike", err)
	}
	var twice []Point
	for i := range 9 {
		x := float64(i * i)
		twice = append(twice, Point{Y: x, X: []float64{x, 3*x + 7}})
	}
	if _, err := Regress(twice); !errors.Is(err, ErrAlike) {
		t.Errorf("two drivers that are one: %v, want ErrAlike", err)
	}
}

// TestCellMeans: dummies for groups give the groups' means, and the residual
// variance is the pooled one of a one-way analysis.
func TestCellMeans(t *testing.T) {
	groups := [][]float64{{3, 5, 4}, {10, 12}, {7, 7, 7, 9}}
	var points []Point
	var within float64
	for g, values := range groups {
		mean := 0.0
		for _, v := range values {
			mean += v / float64(len(values))
		}
		for _, v := range values {
			within += (v - mean) * (v - mean)
			x := make([]float64, 2)
			if g > 0 {
				x[g-1] = 1
			}
			points = append(points, Point{Y: v, X: x})
		}
	}
	f, err := Regress(points)
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range []float64{4, 11, 7.5} {
		x := make([]float64, 2)
		if i > 0 {
			x[i-1] = 1
		}
		near(t, "mean", f.Predict(x), want, 1e-12)
	}
	near(t, "RMSE", f.RMSE, math.Sqrt(within/6), 1e-12)
	near(t, "CV(RMSE)", f.CVRMSE, math.Sqrt(within/6)/(64.0/9), 1e-12)
}

// TestQuantile holds Student's t to a table of it (two-sided 95 %; common
// tables, from memory).
func TestQuantile(t *testing.T) {
	for df, want := range map[float64]float64{1: 12.706, 2: 4.303, 4: 2.776, 10: 2.228, 30: 2.042, 120: 1.980, 1e7: 1.960} {
		if got := Quantile(0.95, df); math.Abs(got-want) > 0.0006 {
			t.Errorf("t of %g degrees of freedom: %.4f, want %.3f", df, got, want)
		}
	}
	if got := Quantile(0.90, 10); math.Abs(got-1.812) > 0.0006 {
		t.Errorf("t at 90 %%, 10 degrees of freedom: %.4f, want 1.812", got)
	}
}
