package gum

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// trials of each Monte Carlo run. The standard deviation of so many draws is known
// to 0.16 % of itself (1/√(2n)), a share near 95 % to 0.05 points.
const trials = 200_000

// quantityIn is an input: what it is expected to be and how it is spread.
type quantityIn struct {
	name        string
	v, u        float64
	rectangular bool
}

func (q quantityIn) draw(r *rand.Rand) float64 {
	if q.rectangular {
		return q.v + q.u*math.Sqrt(3)*(2*r.Float64()-1)
	}
	return q.v + q.u*r.NormFloat64()
}

// outcome is what a Monte Carlo run has beside the linear form.
type outcome struct {
	linear  Value
	u       float64 // standard deviation of the draws
	held    float64 // share of the draws within ±2u of the linear form
	low, hi float64 // 2.5 % and 97.5 % of the draws
}

// propagate draws the inputs independently and puts them through a formula
// (JCGM 101, from memory), and the linear form beside it. A sum of such inputs in
// the formula is how correlation comes in.
func propagate(inputs []quantityIn, linear func([]Value) Value, exact func([]float64) float64) outcome {
	r := rand.New(rand.NewPCG(6, 7))
	x := make([]Value, len(inputs))
	for i, q := range inputs {
		x[i] = New(q.v, q.u, q.name)
	}
	o := outcome{linear: linear(x)}
	draws, at := make([]float64, trials), make([]float64, len(inputs))
	var sum, squares float64
	half := 2 * o.linear.U()
	for k := range draws {
		for i, q := range inputs {
			at[i] = q.draw(r)
		}
		draws[k] = exact(at)
		d := draws[k] - o.linear.V
		sum, squares = sum+d, squares+d*d
		if math.Abs(d) <= half {
			o.held++
		}
	}
	o.u = math.Sqrt(squares/trials - sum/trials*sum/trials)
	o.held /= trials
	slices.Sort(draws)
	o.low, o.hi = draws[trials*25/1000], draws[trials*975/1000]
	return o
}

// TestMonteCarlo puts the formulas of the leak methods through 200,000 draws of
// their inputs, with uncertainties as a plant has them. The linear u must be that
// of the draws within 3 %, the stated interval must hold 94 % of them, and its ends
// must be no further from the draws' 2.5 and 97.5 % than a quarter of its half width
// outwards (k = 2 in place of 1.96, and rectangular inputs that end) and a tenth
// inwards.
func TestMonteCarlo(t *testing.T) {
	if testing.Short() {
		t.Skip("one goroutine, and slow under the race detector; not under -short")
	}
	const pa = 100_000.0
	gauge := quantityIn{"gauge", 0, 5_774, true} // 10 kPa limit
	rounding := func(n string) quantityIn { return quantityIn{"rounding " + n, 0, 200, true} }
	volume := quantityIn{"volume", 3.2, 0.16, false}
	seconds := quantityIn{"time", 600, 0.6, true}
	inlet := quantityIn{"inlet pressure", pa, 600, true}
	for _, c := range []struct {
		name   string
		inputs []quantityIn
		linear func(x []Value) Value
		exact  func(x []float64) float64
	}{
		{"sum", []quantityIn{{"a", 3, 0.3, false}, {"b", 4, 0.5, true}},
			func(x []Value) Value { return x[0].Plus(x[1]) },
			func(x []float64) float64 { return x[0] + x[1] }},
		{"product", []quantityIn{{"a", 3, 0.3, false}, {"b", 4, 0.2, true}},
			func(x []Value) Value { return x[0].Times(x[1]) },
			func(x []float64) float64 { return x[0] * x[1] }},
		{"quotient", []quantityIn{{"power", 37, 0.4, true}, {"flow", 5, 0.25, true}},
			func(x []Value) Value { return x[0].Over(x[1]) },
			func(x []float64) float64 { return x[0] / x[1] }},
		{"flow meter by the square root of its drop", []quantityIn{{"drop", 12, 1.2, false}, {"factor", 1, 0.02, true}},
			func(x []Value) Value { return x[0].Pow(0.5).Times(x[1]) },
			func(x []float64) float64 { return math.Sqrt(x[0]) * x[1] }},
		{"bleed-down, straight: V·(p1-p2)/(t·pa)",
			[]quantityIn{volume, {"p1", 780_000, 0, true}, {"p2", 690_000, 0, true}, gauge, rounding("1"), rounding("2"), seconds, inlet},
			func(x []Value) Value {
				return x[0].Times(x[1].Plus(x[3]).Plus(x[4]).Minus(x[2].Plus(x[3]).Plus(x[5]))).Over(x[6].Times(x[7]))
			},
			func(x []float64) float64 { return x[0] * (x[1] + x[4] - x[2] - x[5]) / (x[6] * x[7]) }},
		{"bleed-down, exact: V·p/(t·pa)·ln(p1/p2)",
			[]quantityIn{volume, {"p1", 880_000, 0, true}, {"p2", 790_000, 0, true}, gauge, rounding("1"), rounding("2"), seconds, inlet},
			func(x []Value) Value {
				p1, p2 := x[1].Plus(x[3]).Plus(x[4]), x[2].Plus(x[3]).Plus(x[5])
				return x[0].Times(Exact(800_000)).Over(x[6].Times(x[7])).Times(p1.Over(p2).Log())
			},
			func(x []float64) float64 {
				return x[0] * 800_000 / (x[6] * x[7]) * math.Log((x[1]+x[3]+x[4])/(x[2]+x[3]+x[5]))
			}},
		{"loaded share: Q·T/(T+t)", []quantityIn{{"rated flow", 0.09, 0.0042, true}, {"loaded", 45, 1.3, true}, {"unloaded", 260, 1.3, true}},
			func(x []Value) Value { return x[0].Times(x[1]).Over(x[1].Plus(x[2])) },
			func(x []float64) float64 { return x[0] * x[1] / (x[1] + x[2]) }},
		{"demand: supply less what the receiver takes", []quantityIn{{"rated flow", 0.09, 0.0042, true}, volume, rounding("1"), rounding("2"), inlet},
			func(x []Value) Value {
				return x[0].Scaled(0.6).Minus(x[1].Times(Exact(20_000).Plus(x[2]).Minus(x[3])).Over(x[4].Scaled(60)))
			},
			func(x []float64) float64 { return 0.6*x[0] - x[1]*(20_000+x[2]-x[3])/(60*x[4]) }},
		{"volume from a pump-up: Q·t·pa/(p2-p1)", []quantityIn{{"flow", 0.09, 0.0042, true}, {"time", 240, 0.6, true}, inlet, rounding("1"), rounding("2")},
			func(x []Value) Value {
				return x[0].Times(x[1]).Times(x[2]).Over(Exact(500_000).Plus(x[3]).Minus(x[4]))
			},
			func(x []float64) float64 { return x[0] * x[1] * x[2] / (500_000 + x[3] - x[4]) }},
		{"ideal rise: (p2/p1)^(1/n)", []quantityIn{{"p2", 800_000, 5_774, true}, inlet},
			func(x []Value) Value { return x[0].Over(x[1]).Log().Scaled(1 / 1.4).Exp() },
			func(x []float64) float64 { return math.Pow(x[0]/x[1], 1/1.4) }},
	} {
		t.Run(c.name, func(t *testing.T) {
			o := propagate(c.inputs, c.linear, c.exact)
			u, v := o.linear.U(), o.linear.V
			t.Logf("%.5g ± %.2f %%: u %.4g, of the draws %.4g; held %.2f %%; [%.5g, %.5g], of the draws [%.5g, %.5g]",
				v, 200*u/v, u, o.u, 100*o.held, v-2*u, v+2*u, o.low, o.hi)
			near(t, "u over that of the draws", u/o.u, 1, 0.03)
			if o.held < 0.94 {
				t.Errorf("the stated interval holds %.2f %% of the draws", 100*o.held)
			}
			for _, end := range []struct {
				what string
				out  float64 // the stated end beyond that of the draws, in half widths
			}{{"lower", (o.low - v + 2*u) / (2 * u)}, {"upper", (v + 2*u - o.hi) / (2 * u)}} {
				if end.out < -0.1 || end.out > 0.25 {
					t.Errorf("%s end is %+.3f half widths outside that of the draws", end.what, end.out)
				}
			}
		})
	}
}

// TestWhereTheLinearFormBreaks finds what share of the draws of 1/x the stated
// interval holds, by the relative u of x. They are the numbers of the package
// comment, which can be had without draws: the interval 1 ± 2r holds x from
// 1/(1+2r) to 1/(1-2r).
func TestWhereTheLinearFormBreaks(t *testing.T) {
	normal := func(x, r float64) float64 { return 0.5 * (1 + math.Erf((x-1)/(r*math.Sqrt2))) }
	flat := func(x, r float64) float64 { return min(1, max(0, 0.5+(x-1)/(2*r*math.Sqrt(3)))) }
	for _, c := range []struct{ r, normal, flat float64 }{
		{0.05, 95.2, 100}, {0.10, 94.6, 98.1}, {0.15, 93.6, 94.4}, {0.20, 92.3, 91.2}, {0.25, 90.9, 88.5}, {0.30, 89.4, 86.1},
	} {
		for _, kind := range []struct {
			name        string
			rectangular bool
			below       func(x, r float64) float64
			stated      float64
		}{{"normal", false, normal, c.normal}, {"rectangular", true, flat, c.flat}} {
			o := propagate([]quantityIn{{"x", 1, c.r, kind.rectangular}},
				func(x []Value) Value { return Exact(1).Over(x[0]) },
				func(x []float64) float64 { return 1 / x[0] })
			what := fmt.Sprintf("%s divisor of %.0f %%: share held", kind.name, 100*c.r)
			want := kind.below(1/(1-2*c.r), c.r) - kind.below(1/(1+2*c.r), c.r)
			near(t, what+" against the distribution", o.held, want, 0.002)
			near(t, what+" against the package comment", 100*o.held, kind.stated, 0.2)
		}
	}
}
