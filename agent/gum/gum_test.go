package gum

import (
	"math"
	"os/exec"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"loadscribe/testdata/vectors"
)

// recomputed are the values of the published cases by quantity, with more digits than
// are printed.
func recomputed(t *testing.T) map[string]float64 {
	t.Helper()
	of := map[string]float64{}
	for _, row := range vectors.Read(t, "uncertainty_gum.csv") {
		var err error
		if of[row["quantity"]], err = strconv.ParseFloat(row["recomputed"], 64); err != nil {
			t.Fatal(err)
		}
	}
	return of
}

func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s: got %.9g, want %.9g ± %g", what, got, want, within)
	}
}

// TestEndGauge is example H.1 of the GUM (JCGM 100:2008; its inputs and results
// were read in a stored manual of a package, see testdata/vectors): the length of
// an end gauge, l = ls + d - ls·(δα·θ + αs·δθ), in nm and K.
func TestEndGauge(t *testing.T) {
	of := recomputed(t)
	ls := New(50_000_623, 25, "standard")
	d := New(215, 9.7, "difference")
	da, theta := New(0, 0.58e-6, "difference of expansion"), New(-0.1, 0.41, "temperature of the bed")
	as, dt := New(11.5e-6, 1.2e-6, "expansion"), New(0, 0.029, "difference of temperature")
	l := ls.Plus(d).Minus(ls.Times(da.Times(theta).Plus(as.Times(dt))))
	near(t, "l, nm", l.V, of["l"], 0.5)
	near(t, "u, first order, nm", l.U(), of["u_c first order"], 5e-5)
	near(t, "u, first order, against the printed 32 nm", l.U(), 32, 0.5)
	// What first order leaves out: the products of two values that are 0 or nearly
	// so (H.1.7). With them the GUM has 34 nm.
	first, second := float64(ls.V*da.U()*theta.U()), float64(ls.V*as.U()*dt.U())
	near(t, "u with the second order, nm", math.Sqrt(l.variance()+first*first+second*second), of["u_c with second order"], 5e-5)
}

// TestImpedance is example H.2 of the GUM (JCGM 100:2008, readings and results of
// its second approach, table H.4, from memory): resistance, reactance and impedance from five readings each of voltage
// (V), current (A) and phase, taken together and so correlated. Each reading is an
// input; what it brings to the mean is its distance over √(n(n-1)).
func TestImpedance(t *testing.T) {
	mean := func(readings ...float64) Value {
		n := float64(len(readings))
		var v float64
		for _, r := range readings {
			v += r / n
		}
		all := Exact(v)
		for i, r := range readings {
			all = all.Plus(New(0, (r-v)/math.Sqrt(n*(n-1)), string(rune('1'+i))))
		}
		return all
	}
	v := mean(5.007, 4.994, 5.005, 4.990, 4.999)
	i := mean(19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3)
	phi := mean(1.0456, 1.0438, 1.0468, 1.0428, 1.0433)
	near(t, "u of V", v.U(), 0.0032, 5e-5)
	near(t, "u of I", i.U(), 0.0095e-3, 5e-8)
	near(t, "u of φ", phi.U(), 0.00075, 5e-6)
	near(t, "correlation of V and I", Covariance(v, i)/(v.U()*i.U()), -0.36, 5e-3)
	near(t, "correlation of V and φ", Covariance(v, phi)/(v.U()*phi.U()), 0.86, 5e-3)
	near(t, "correlation of I and φ", Covariance(i, phi)/(i.U()*phi.U()), -0.65, 5e-3)
	cos := Linear(math.Cos(phi.V), Term{-math.Sin(phi.V), phi})
	sin := Linear(math.Sin(phi.V), Term{math.Cos(phi.V), phi})
	z := v.Over(i)
	r, x := z.Times(cos), z.Times(sin)
	for _, c := range []struct {
		what          string
		got           Value
		want, u, tolV float64
	}{{"R", r, 127.732, 0.071, 5e-4}, {"X", x, 219.847, 0.296, 5e-4}, {"Z", z, 254.260, 0.236, 5e-4}} {
		near(t, c.what+", Ω", c.got.V, c.want, c.tolV)
		near(t, "u of "+c.what+", Ω", c.got.U(), c.u, 5e-4)
	}
	for _, c := range []struct {
		what string
		a, b Value
		want float64
	}{{"R, X", r, x, -0.588}, {"R, Z", r, z, -0.485}, {"X, Z", x, z, 0.993}} {
		near(t, "correlation of "+c.what, Covariance(c.a, c.b)/(c.a.U()*c.b.U()), c.want, 5e-4)
	}
}

// TestSpecificPower is the own example of testdata/vectors: a class 0.5 meter and
// class 0.5 current transformers (rectangular), and a flow of ±2 % (k = 2).
func TestSpecificPower(t *testing.T) {
	power := New(37, 37*0.005/math.Sqrt(3), "meter").Plus(New(0, 37*0.005/math.Sqrt(3), "current transformers"))
	sp := power.Over(New(5.2, 5.2*0.01, "flow"))
	near(t, "u, %", 100*sp.U()/sp.V, recomputed(t)["specific power u_rel"], 1e-6)
	near(t, "±, %", 200*sp.U()/sp.V, 2.160247, 1e-6)
}

func TestSharedInputs(t *testing.T) {
	gauge := "gauge (accuracy)"
	p1 := New(800, 10, gauge).Plus(New(0, 0.3, "rounding 1"))
	p2 := New(700, 10, gauge).Plus(New(0, 0.4, "rounding 2"))
	near(t, "difference of two readings of one gauge", p1.Minus(p2).U(), 0.5, 1e-12)
	near(t, "their sum", p1.Plus(p2).U(), math.Sqrt(20*20+0.25), 1e-12)
	near(t, "difference of two gauges", New(800, 10, "one").Minus(New(700, 10, "other")).U(), math.Sqrt(200), 1e-12)
	near(t, "their covariance", Covariance(p1, p2), 100, 1e-12)
	near(t, "covariance of strangers", Covariance(p1, New(1, 1, "other")), 0, 0)
	if d := New(5, 2, "a").Minus(New(3, 2, "a")); d.V != 2 || d.U() != 0 || len(d.Shares()) != 0 {
		t.Errorf("an input that cancels: got %v ± %v of %v, want 2, 0 and nothing", d.V, d.U(), d.Shares())
	}
	x := New(4, 0.2, "x")
	near(t, "x/x", x.Over(x).U(), 0, 1e-15)
	near(t, "x·x and x²", x.Times(x).U(), x.Pow(2).U(), 1e-15)
	near(t, "√x·√x", x.Pow(0.5).Times(x.Pow(0.5)).U(), x.U(), 1e-15)
	near(t, "exp(log x)", x.Log().Exp().U(), x.U(), 1e-15)
	near(t, "log of x", x.Log().U(), 0.05, 1e-15)
	near(t, "-3x", x.Scaled(-3).U(), 0.6, 1e-15)
	near(t, "-3x + 3x", x.Scaled(-3).Plus(x.Scaled(3)).U(), 0, 0)
}

func TestSharesAndWith(t *testing.T) {
	x := Sum(New(10, 3, "b"), New(1, -4, "a"), New(0, 0, "nothing"), New(2, 12, "c"))
	near(t, "u", x.U(), 13, 1e-12)
	want := []Share{{"c", 144. / 169}, {"a", 16. / 169}, {"b", 9. / 169}}
	if got := x.Shares(); !slices.Equal(got, want) {
		t.Errorf("shares: got %v, want %v", got, want)
	}
	near(t, "part of a", x.Part("a"), -4, 0)
	near(t, "u with a third of c", x.With("c", 1./3).U(), math.Sqrt(9+16+16), 1e-12)
	near(t, "value with a third of c", x.With("c", 1./3).V, x.V, 0)
	near(t, "u without c", x.With("c", 0).U(), 5, 1e-12)
	near(t, "u with a stranger's", x.With("d", 7).U(), 13, 1e-12)
	if got := New(1, 1, "z").Plus(New(1, 1, "y")).Shares(); got[0].Input != "y" {
		t.Errorf("shares that are alike go by name: got %v", got)
	}
}

// TestOrder adds the same parts in other orders: the sum of squares is taken by
// name, so it is the same to the last bit wherever the parts themselves are.
func TestOrder(t *testing.T) {
	parts := []Value{New(1, 0.1, "q"), New(1, 0.7, "b"), New(1, 1e-9, "z"), New(1, 1.3, "a")}
	forward := Sum(parts...)
	slices.Reverse(parts)
	if back := Sum(parts...); back.U() != forward.U() || !slices.Equal(back.Shares(), forward.Shares()) {
		t.Errorf("got %v and %v", forward.U(), back.U())
	}
}

func TestCombine(t *testing.T) {
	// Two independent: weights as the inverse of the variances.
	c, err := Combine([]Value{New(10, 1, "a"), New(13, 2, "b")})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "first weight", c.Weights[0], 0.8, 1e-12)
	near(t, "mean", c.V, 10.6, 1e-12)
	near(t, "u", c.U(), 2/math.Sqrt(5), 1e-12)

	// Hand-worked: u 1 and 2, correlation 1/4, so covariance 0.5. The weight of the
	// first is (4-0.5)/(1+4-2·0.5) = 0.875, the variance (1·4-0.25)/4 = 0.9375.
	second := func(r, v float64) Value {
		return New(v, 2*r, "a").Plus(New(0, 2*math.Sqrt(1-r*r), "b"))
	}
	if c, err = Combine([]Value{New(10, 1, "a"), second(0.25, 18)}); err != nil {
		t.Fatal(err)
	}
	near(t, "correlated: first weight", c.Weights[0], 0.875, 1e-12)
	near(t, "correlated: mean", c.V, 11, 1e-12)
	near(t, "correlated: u", c.U(), math.Sqrt(0.9375), 1e-12)

	// A correlation above u1/u2 would make the second's weight negative: the first
	// alone. So would full correlation, in either order, and one value twice.
	for _, pair := range [][]Value{{New(10, 1, "a"), second(0.6, 18)}, {New(10, 1, "a"), New(18, 2, "a")},
		{New(10, 1, "a"), New(18, 1, "a")}} {
		if c, err = Combine(pair); err != nil {
			t.Fatal(err)
		}
		if c.V != 10 || c.U() != 1 || !slices.Equal(c.Weights, []float64{1, 0}) {
			t.Errorf("got %v ± %v, weights %v, want the first alone", c.V, c.U(), c.Weights)
		}
	}
	if c, _ = Combine([]Value{New(18, 2, "a"), New(10, 1, "a")}); c.V != 10 {
		t.Errorf("fully correlated, worse one first: got %v, weights %v", c.V, c.Weights)
	}
	if c, _ = Combine([]Value{New(18, 2, "a"), Exact(10)}); c.V != 10 || c.U() != 0 {
		t.Errorf("an exact one beside: got %v ± %v", c.V, c.U())
	}

	// Many independent: Σ(x/u²)/Σ(1/u²), the variance 1/Σ(1/u²).
	var values []Value
	var top, bottom float64
	for i := range 5 {
		v, u := 10+float64(i), 1+0.5*float64(i)
		values = append(values, New(v, u, string(rune('a'+i))))
		top, bottom = top+v/(u*u), bottom+1/(u*u)
	}
	if c, err = Combine(values); err != nil {
		t.Fatal(err)
	}
	near(t, "five: mean", c.V, top/bottom, 1e-12)
	near(t, "five: u", c.U(), 1/math.Sqrt(bottom), 1e-12)

	for _, n := range []int{0, MaxCombined + 1} {
		if _, err := Combine(make([]Value, n)); err == nil {
			t.Errorf("%d values: no error", n)
		}
	}
}

// TestCombineIsTheLeast holds Combine to a search over weights on a grid, for
// three values that share inputs.
func TestCombineIsTheLeast(t *testing.T) {
	rated := "rated flow"
	for _, values := range [][]Value{
		{New(5, 0.4, rated).Plus(New(0, 0.1, "delay")), New(6, 0.5, rated).Plus(New(0, 0.2, "volume")), New(5.5, 0.6, "volume")},
		{New(5, 0.4, rated), New(6, 0.41, rated).Plus(New(0, 0.05, "x")), New(5.5, 0.6, "y").Minus(New(0, 0.3, rated))},
	} {
		c, err := Combine(values)
		if err != nil {
			t.Fatal(err)
		}
		least, sum := math.Inf(1), 0.0
		const steps = 400
		for i := range steps + 1 {
			for j := range steps + 1 - i {
				a, b := float64(i)/steps, float64(j)/steps
				least = min(least, Linear(0, Term{a, values[0]}, Term{b, values[1]}, Term{1 - a - b, values[2]}).U())
			}
		}
		for _, w := range c.Weights {
			if sum += w; w < 0 {
				t.Errorf("weight %v below 0", w)
			}
		}
		near(t, "sum of the weights", sum, 1, 1e-12)
		if c.U() > least*(1+1e-12) || c.U() < least*0.999 {
			t.Errorf("u %.6f with weights %v, the grid has %.6f", c.U(), c.Weights, least)
		}
	}
}

// TestNoFusedArithmetic is that of agent/analysis for this package.
func TestNoFusedArithmetic(t *testing.T) {
	if testing.Short() {
		t.Skip("compiles for another processor")
	}
	goTool, err := exec.LookPath("go")
	if err != nil {
		t.Fatal("no go command to compile with: put it on PATH")
	}
	cmd := exec.Command(goTool, "build", "-gcflags=-S", ".")
	cmd.Env = append(cmd.Environ(), "GOOS=linux", "GOARCH=arm64", "CGO_ENABLED=0")
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("go build for arm64: %v\n%.2000s", err, out)
	}
	if !strings.Contains(string(out), "FMULD") {
		t.Fatal("the listing shows no arithmetic at all: nothing was checked")
	}
	for _, line := range regexp.MustCompile(`(?m)^.*\bFN?M(ADD|SUB)[DS]\b.*$`).FindAllString(string(out), -1) {
		t.Errorf("fused: %s", strings.Join(strings.Fields(line), " "))
	}
}

// TestApart: a difference of two readings of one instrument keeps of its error what
// the instrument does not repeat. The rule is that of JCGM 100:2008, 5.2.2 (from
// memory): u²(x-y) = u²(x) + u²(y) - 2u(x,y); here 3² + 4² with nothing shared, and
// (30 - 20)² of what is shared in proportion to the readings.
func TestApart(t *testing.T) {
	x := New(1000, 30, "gain").Plus(New(0, 3, "noise"))
	y := New(1500, 20, "gain").Plus(New(0, 4, "noise"))
	gain := func(input string) bool { return input == "gain" }
	near(t, "as one occasion", y.Minus(x).U(), math.Sqrt(10*10+1*1), 1e-12)
	apart := y.Apart(" then", gain).Minus(x.Apart(" now", gain))
	near(t, "value", apart.V, 500, 0)
	near(t, "apart", apart.U(), math.Sqrt(10*10+3*3+4*4), 1e-12)
	if got := strings.Join(apart.Inputs(), ", "); got != "gain, noise now, noise then" {
		t.Errorf("inputs %q", got)
	}
	none := func(string) bool { return false }
	near(t, "nothing shared", y.Apart(" then", none).Minus(x.Apart(" now", none)).U(), math.Sqrt(30*30+20*20+3*3+4*4), 1e-12)
	if x.Inputs()[0] != "gain" || x.Part("gain") != 30 {
		t.Error("the value itself was changed")
	}
}
