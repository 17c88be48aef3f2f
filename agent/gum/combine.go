package gum

import (
	"errors"
	"fmt"
	"math"
)

// MaxCombined is the most values that Combine takes: it tries every choice of
// them.
const MaxCombined = 8

// ErrCombine is returned for no value, or more than MaxCombined.
var ErrCombine = errors.New("cannot combine")

// Combined is the best estimate from several values of one quantity.
type Combined struct {
	Value
	// Weights are those of the values, in their order; none is below 0, and they
	// sum to 1.
	Weights []float64
}

// Combine is the mean of several values of one quantity with the weights that
// make its variance smallest (best linear unbiased estimate from the covariance
// matrix), none of them below 0. Values that share inputs so get no credit for
// agreeing in them: of two that rest on the same input alone the better one is
// taken as it is. Without the limit such a pair would be extrapolated beyond both,
// which a wrong covariance makes dangerous.
func Combine(values []Value) (Combined, error) {
	n := len(values)
	if n == 0 || n > MaxCombined {
		return Combined{}, fmt.Errorf("%w: %d values, 1 to %d can be", ErrCombine, n, MaxCombined)
	}
	cov := make([][]float64, n)
	for i := range cov {
		cov[i] = make([]float64, n)
		for j := range cov[i] {
			cov[i][j] = Covariance(values[i], values[j])
		}
	}
	best, least := make([]float64, n), math.Inf(1)
	// Small choices first: a larger one must better them by more than rounding.
	for size := 1; size <= n; size++ {
		for set := 1; set < 1<<n; set++ {
			of := members(set, n)
			if len(of) != size {
				continue
			}
			weights, variance, ok := blue(cov, of)
			if !ok || variance >= float64(least*(1-1e-9)) {
				continue
			}
			least = variance
			clear(best)
			for i, at := range of {
				best[at] = weights[i]
			}
		}
	}
	terms := make([]Term, n)
	var v float64
	for i, x := range values {
		terms[i] = Term{best[i], x}
		v += float64(best[i] * x.V)
	}
	return Combined{Linear(v, terms...), best}, nil
}

// members are the places of the bits set.
func members(set, n int) (of []int) {
	for i := range n {
		if set&(1<<i) != 0 {
			of = append(of, i)
		}
	}
	return of
}

// blue solves C·w = λ·1, Σw = 1 for the rows of a covariance matrix by Gauss'
// elimination; λ is then the variance. It is false where C is singular or a weight
// is not above 0.
func blue(cov [][]float64, of []int) (w []float64, variance float64, ok bool) {
	n := len(of)
	if n == 1 {
		return []float64{1}, cov[of[0]][of[0]], true
	}
	rows := make([][]float64, n)
	for i := range rows {
		rows[i] = make([]float64, n+1)
		for j := range of {
			rows[i][j] = cov[of[i]][of[j]]
		}
		rows[i][n] = 1
	}
	for i := range rows {
		// The matrix is positive semidefinite: no pivoting, and a pivot that is
		// nothing beside the variance it began as is a value that the others
		// already tell.
		if pivot := rows[i][i]; pivot <= float64(1e-12*cov[of[i]][of[i]]) {
			return nil, 0, false
		}
		for below := i + 1; below < n; below++ {
			f := rows[below][i] / rows[i][i]
			for j := i; j <= n; j++ {
				rows[below][j] -= float64(f * rows[i][j])
			}
		}
	}
	w = make([]float64, n)
	var sum float64
	for i := n - 1; i >= 0; i-- {
		w[i] = rows[i][n]
		for j := i + 1; j < n; j++ {
			w[i] -= float64(rows[i][j] * w[j])
		}
		w[i] /= rows[i][i]
		if !(w[i] > 0) {
			return nil, 0, false
		}
	}
	for _, x := range w {
		sum += x
	}
	for i := range w {
		w[i] /= sum
	}
	return w, 1 / sum, true
}
