package baseline

import (
	"errors"
	"fmt"
	"math"
)

// Reasons why there is no fit.
var (
	// ErrFew: fewer points than the parameters need.
	ErrFew = errors.New("too few points for the model")
	// ErrAlike: a regressor does not vary, or follows from the others.
	ErrAlike = errors.New("a driver does not vary by itself")
)

// Point is one hour or one day.
type Point struct {
	// At numbers the points: those whose numbers differ by one follow one
	// another.
	At int64
	// Day is what sums of residuals are taken over.
	Day int64
	Y   float64
	X   []float64
}

// Fit is y = b₀ + Σ bᵢ·xᵢ by least squares.
type Fit struct {
	Coefficients []float64 // the intercept first
	Errors       []float64 // their standard errors, as if points were independent
	T            []float64 // coefficient over its standard error
	N, P         int       // points; parameters, the intercept among them
	MeanY        float64
	R2           float64
	RMSE         float64 // √(SSE/(n−p))
	CVRMSE       float64 // RMSE over the mean of y
	NMBE         float64 // Σ(y−ŷ)/((n−p)·mean of y); 0 but for rounding where there is an intercept
	// Rho is the lag-1 autocorrelation of the residuals over points that follow
	// one another, and EffectiveN is n' = n(1−ρ)/(1+ρ); n where ρ is not above 0.
	Rho, EffectiveN float64
	Residuals       []float64

	means   []float64
	inverse [][]float64 // of XᵀX, the columns centred
	weights [][]float64 // inverse · centred row, by point
}

// alike is the share of a column that must be left once the columns before it
// are taken out.
const alike = 1e-9

// Regress fits. Every point has as many regressors as the first.
func Regress(points []Point) (*Fit, error) {
	n, k := len(points), 0
	if n > 0 {
		k = len(points[0].X)
	}
	f := &Fit{N: n, P: k + 1}
	if n <= f.P {
		return nil, fmt.Errorf("%w: %d points, %d parameters", ErrFew, n, f.P)
	}
	x, y := f.centre(points)
	r, c, err := triangle(x, y)
	if err != nil {
		return nil, err
	}
	slopes := backward(r, c)
	f.Coefficients = append([]float64{f.MeanY}, slopes...)
	for j, b := range slopes {
		f.Coefficients[0] -= float64(b * f.means[j])
	}
	f.inverse = inverseOf(r)
	f.judge(points, y)
	return f, nil
}

// centre takes the means off, which keeps the digits of regressors that vary
// little about a large mean. x is by column.
func (f *Fit) centre(points []Point) (x [][]float64, y []float64) {
	n, k := f.N, f.P-1
	f.means = make([]float64, k)
	x, y = make([][]float64, k), make([]float64, n)
	mean := func(of func(i int) float64) float64 {
		first := of(0) // a second pass over the differences mends the first's rounding
		s := 0.0
		for i := range n {
			s += of(i) - first
		}
		m := first + s/float64(n)
		s = 0
		for i := range n {
			s += of(i) - m
		}
		return m + s/float64(n)
	}
	f.MeanY = mean(func(i int) float64 { return points[i].Y })
	for j := range k {
		f.means[j] = mean(func(i int) float64 { return points[i].X[j] })
		x[j] = make([]float64, n)
		for i := range n {
			x[j][i] = points[i].X[j] - f.means[j]
		}
	}
	for i := range n {
		y[i] = points[i].Y - f.MeanY
	}
	return x, y
}

// triangle brings the columns to an upper triangle by Householder's
// reflections; c is what they make of y.
func triangle(x [][]float64, y []float64) (r [][]float64, c []float64, err error) {
	k := len(x)
	a := make([][]float64, k)
	for j := range x {
		a[j] = append([]float64(nil), x[j]...)
	}
	c = append([]float64(nil), y...)
	for j := range k {
		whole, left := norm(x[j]), norm(a[j][j:])
		if !(left > float64(alike*whole)) {
			return nil, nil, fmt.Errorf("%w: number %d", ErrAlike, j+1)
		}
		if a[j][j] > 0 {
			left = -left
		}
		v := append([]float64(nil), a[j][j:]...)
		v[0] -= left
		half := dot(v, v) / 2
		for m := j; m < k; m++ {
			reflect(a[m][j:], v, half)
		}
		reflect(c[j:], v, half)
	}
	r = make([][]float64, k) // by row
	for i := range k {
		r[i] = make([]float64, k)
		for j := i; j < k; j++ {
			r[i][j] = a[j][i]
		}
	}
	return r, c[:k], nil
}

func reflect(a, v []float64, half float64) {
	s := dot(a, v) / half
	for i := range v {
		a[i] -= float64(s * v[i])
	}
}

func dot(a, b []float64) (s float64) {
	for i := range a {
		s += float64(a[i] * b[i])
	}
	return s
}

func norm(a []float64) float64 { return math.Sqrt(dot(a, a)) }

// backward solves r·b = c.
func backward(r [][]float64, c []float64) []float64 {
	b := append([]float64(nil), c...)
	for i := len(b) - 1; i >= 0; i-- {
		for j := i + 1; j < len(b); j++ {
			b[i] -= float64(r[i][j] * b[j])
		}
		b[i] /= r[i][i]
	}
	return b
}

// inverseOf is (RᵀR)⁻¹.
func inverseOf(r [][]float64) [][]float64 {
	k := len(r)
	columns := make([][]float64, k) // of R⁻¹
	for j := range k {
		unit := make([]float64, k)
		unit[j] = 1
		columns[j] = backward(r, unit)
	}
	inv := make([][]float64, k)
	for i := range k {
		inv[i] = make([]float64, k)
		for j := range k {
			for m := range k {
				inv[i][j] += float64(columns[m][i] * columns[m][j])
			}
		}
	}
	return inv
}

// judge sets what is said of the fit's quality.
func (f *Fit) judge(points []Point, y []float64) {
	var sse, bias float64
	f.Residuals = make([]float64, f.N)
	f.weights = make([][]float64, f.N)
	for i := range points {
		e := points[i].Y - f.Predict(points[i].X)
		f.Residuals[i] = e
		bias += e
		sse += float64(e * e)
		f.weights[i] = f.weigh(points[i].X)
	}
	free := float64(f.N - f.P)
	variance := sse / free
	f.RMSE = math.Sqrt(variance)
	f.R2 = 1
	if sst := dot(y, y); sst > 0 {
		f.R2 = 1 - sse/sst
	}
	if f.MeanY != 0 {
		f.CVRMSE = f.RMSE / math.Abs(f.MeanY)
		f.NMBE = bias / (free * f.MeanY)
	}
	f.Errors, f.T = make([]float64, f.P), make([]float64, f.P)
	f.Errors[0] = math.Sqrt(variance * (1/float64(f.N) + f.quadratic(f.means)))
	for j := range f.inverse {
		f.Errors[j+1] = math.Sqrt(float64(variance * f.inverse[j][j]))
	}
	for j, b := range f.Coefficients {
		switch {
		case f.Errors[j] > 0:
			f.T[j] = b / f.Errors[j]
		case b != 0:
			f.T[j] = math.Copysign(math.MaxFloat64, b) // a perfect fit
		}
	}
	f.Rho = autocorrelation(points, f.Residuals)
	f.EffectiveN = float64(f.N)
	if f.Rho > 0 {
		f.EffectiveN = float64(f.N) * (1 - f.Rho) / (1 + f.Rho)
	}
}

// Predict is the model at some regressors.
func (f *Fit) Predict(x []float64) float64 {
	return f.Coefficients[0] + dot(f.Coefficients[1:], x)
}

// weigh is (XᵀX)⁻¹ times the centred regressors.
func (f *Fit) weigh(x []float64) []float64 {
	w := make([]float64, len(x))
	for i := range w {
		for j := range x {
			w[i] += float64(f.inverse[i][j] * (x[j] - f.means[j]))
		}
	}
	return w
}

// quadratic is dᵀ(XᵀX)⁻¹d.
func (f *Fit) quadratic(d []float64) (s float64) {
	for i := range d {
		s += float64(d[i] * dot(f.inverse[i], d))
	}
	return s
}

// autocorrelation is the correlation of residuals with the ones just before.
func autocorrelation(points []Point, residuals []float64) float64 {
	var both, first, second float64
	for i := 1; i < len(points); i++ {
		if points[i].At-points[i-1].At != 1 {
			continue
		}
		a, b := residuals[i-1], residuals[i]
		both += float64(a * b)
		first += float64(a * a)
		second += float64(b * b)
	}
	if first == 0 || second == 0 {
		return 0
	}
	return both / math.Sqrt(float64(first*second))
}
