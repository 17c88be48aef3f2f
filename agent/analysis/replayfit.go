package analysis

import (
	"math"

	"loadscribe/agent/gum"
)

// priorFit is a least-squares fit y = Σ x·θ of rows with weights, with what is known
// of each θ beforehand: its value and standard uncertainty, as one more row. Where
// the rows say nothing of a θ, what was known stays. The scatter of the rows is
// found from them, and doubled in their variance, since neighbours are alike.
type priorFit struct {
	rows       [][]float64
	y, w       []float64 // w: what the scatter of a row is divided by, squared
	prior, u   []float64
	theta      []float64
	cov        [][]float64
	priorChi2  float64 // of how far theta lies from what was known
	scatter    float64
	leastNoise float64 // of a row of weight 1
}

func (f *priorFit) add(y, w float64, x ...float64) {
	if w > 0 {
		f.rows, f.y, f.w = append(f.rows, x), append(f.y, y), append(f.w, w)
	}
}

// solve sets theta, cov, scatter and priorChi2; false where nothing can be told.
func (f *priorFit) solve() bool {
	n := len(f.prior)
	f.scatter = f.leastNoise
	for range 3 {
		a := make([][]float64, n)
		c := make([]float64, n)
		for i := range a {
			a[i] = make([]float64, n)
			if f.u[i] > 0 && !math.IsInf(f.u[i], 1) {
				p := 1 / float64(f.u[i]*f.u[i])
				a[i][i] += p
				c[i] += float64(p * f.prior[i])
			}
		}
		noise := 2 * float64(f.scatter*f.scatter)
		for k, x := range f.rows {
			for i := range x {
				for j := range x {
					a[i][j] += float64(float64(x[i]*x[j]) * f.w[k] / noise)
				}
				c[i] += float64(float64(x[i]*f.y[k]) * f.w[k] / noise)
			}
		}
		cov, ok := inverse(a)
		if !ok {
			return false
		}
		f.cov, f.theta = cov, make([]float64, n)
		for i := range cov {
			for j := range cov {
				f.theta[i] += float64(cov[i][j] * c[j])
			}
		}
		var squares, weight float64
		for k, x := range f.rows {
			d := f.y[k]
			for i := range x {
				d -= float64(x[i] * f.theta[i])
			}
			squares += float64(float64(d*d) * f.w[k])
			weight++
		}
		if weight > 1 {
			f.scatter = max(f.leastNoise, math.Sqrt(squares/weight))
		}
	}
	f.priorChi2 = 0
	for i := range f.theta {
		if f.u[i] > 0 && !math.IsInf(f.u[i], 1) {
			d := (f.theta[i] - f.prior[i]) / f.u[i]
			f.priorChi2 += float64(d * d)
		}
	}
	return true
}

// inverse of a symmetric positive matrix by Gauss and Jordan, rows scaled first.
func inverse(a [][]float64) ([][]float64, bool) {
	n := len(a)
	scale := make([]float64, n)
	for i := range a {
		if a[i][i] <= 0 || math.IsNaN(a[i][i]) {
			return nil, false
		}
		scale[i] = 1 / math.Sqrt(a[i][i])
	}
	m := make([][]float64, n)
	for i := range m {
		m[i] = make([]float64, 2*n)
		for j := range n {
			m[i][j] = float64(float64(a[i][j]*scale[i]) * scale[j])
		}
		m[i][n+i] = 1
	}
	for i := range m {
		if m[i][i] < 1e-12 {
			return nil, false
		}
		by := m[i][i]
		for j := range m[i] {
			m[i][j] /= by
		}
		for k := range m {
			if k == i {
				continue
			}
			by := m[k][i]
			for j := range m[k] {
				m[k][j] -= float64(by * m[i][j])
			}
		}
	}
	out := make([][]float64, n)
	for i := range out {
		out[i] = make([]float64, n)
		for j := range n {
			out[i][j] = float64(float64(m[i][n+j]*scale[i]) * scale[j])
		}
	}
	return out, true
}

// correlated are values with a covariance, the k-th with what the ones before it do
// not bring under the k-th name (the columns of Cholesky's triangle).
func correlated(v []float64, cov [][]float64, names []string) []gum.Value {
	n := len(v)
	l := make([][]float64, n)
	all := make([]gum.Value, n)
	for i := range l {
		l[i] = make([]float64, n)
		all[i] = gum.Exact(v[i])
		for j := range i + 1 {
			s := cov[i][j]
			for k := range j {
				s -= float64(l[i][k] * l[j][k])
			}
			switch {
			case i == j:
				l[i][i] = math.Sqrt(max(0, s))
			case l[j][j] > 0:
				l[i][j] = s / l[j][j]
			}
			all[i] = all[i].Plus(gum.New(0, l[i][j], names[j]))
		}
	}
	return all
}

// alike is a value with the relative parts of another one, and its own beside.
func alike(v gum.Value, of gum.Value) gum.Value {
	if of.V == 0 {
		return v
	}
	return v.Plus(gum.Linear(0, gum.Term{C: v.V / of.V, X: of}))
}
