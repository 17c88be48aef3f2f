package align

import (
	"math"
	"math/rand/v2"
	"testing"
)

// series samples a function of seconds.
func series(periodMS, lengthS int64, f func(s float64) float64) (t []int64, v []float64) {
	for at := int64(0); at < lengthS*1000; at += periodMS {
		t = append(t, at)
		v = append(v, f(float64(at)/1000))
	}
	return t, v
}

// TestSteps: a machine's power with a load at 100.3 s and an unload at 160.3 s,
// after which power falls slowly while the sump blows down, is found at every
// period to within half of it, however noisy.
func TestSteps(t *testing.T) {
	g := rand.New(rand.NewPCG(1, 1))
	power := func(s float64) float64 {
		p := 12.0
		switch {
		case s >= 160.3:
			p += 14 * math.Exp(-(s-160.3)/15)
		case s >= 100.3:
			p = 37
		}
		return p * (1 + 0.01*g.NormFloat64())
	}
	for _, periodMS := range []int64{250, 500, 1000, 2000, 5000, 10_000} {
		times, values := series(periodMS, 400, power)
		got := Edges(times, values, Options{})
		want := []Edge{{100_300, true, 25}, {160_300, false, 12}}
		if len(got) != len(want) {
			t.Errorf("every %d ms: %v, want %v", periodMS, got, want)
			continue
		}
		for i, e := range got {
			// Readings of noise beside the step move its centre by little.
			if off := e.MS - want[i].MS; max(off, -off) > periodMS/2+300 || e.Rise != want[i].Rise {
				t.Errorf("every %d ms: %v, want %v", periodMS, e, want[i])
			}
		}
	}
}

func TestStepsByHand(t *testing.T) {
	nan := math.NaN()
	tests := []struct {
		name   string
		times  []int64
		values []float64
		o      Options
		want   []Edge
	}{
		{"bit", []int64{0, 1000, 2000, 3000, 4000}, []float64{0, 0, 1, 1, 0}, Options{}, []Edge{{1500, true, 1}, {3500, false, 1}}},
		{"constant", []int64{0, 1000, 2000}, []float64{7, 7, 7}, Options{}, nil},
		{"one reading", []int64{0}, []float64{1}, Options{}, nil},
		{"none", nil, nil, Options{}, nil},
		// A half and a half: the centre between them.
		{"ramp over two readings", []int64{0, 10_000, 20_000, 30_000, 40_000}, []float64{0, 0, 5, 10, 10}, Options{}, []Edge{{20_000, true, 10}}},
		// Four fifths and one: the fifth is no core of it.
		{"ramp and tail", []int64{0, 10_000, 20_000, 30_000, 40_000}, []float64{0, 0, 8, 10, 10}, Options{}, []Edge{{15_000, true, 10}}},
		{"across a gap", []int64{0, 1000, 2000, 3000, 9000, 10_000, 11_000}, []float64{0, 0, 0, 0, 1, 1, 0}, Options{}, []Edge{{10_500, false, 1}}},
		{"value missing", []int64{0, 1000, 2000, 3000, 4000, 5000}, []float64{0, 0, nan, 1, 1, 0}, Options{}, []Edge{{4500, false, 1}}},
		{"clock back", []int64{0, 1000, 2000, 1500, 2500, 3500}, []float64{0, 0, 0, 1, 1, 0}, Options{}, []Edge{{3000, false, 1}}},
		{"smaller than asked for", []int64{0, 1000, 2000, 3000}, []float64{0, 0, 1, 1}, Options{LeastChange: 2}, nil},
	}
	for _, test := range tests {
		got := Edges(test.times, test.values, test.o)
		if len(got) != len(test.want) {
			t.Errorf("%s: %v, want %v", test.name, got, test.want)
			continue
		}
		for i := range got {
			if got[i] != test.want[i] {
				t.Errorf("%s: %v, want %v", test.name, got[i], test.want[i])
			}
		}
	}
}

// TestTurns: a pressure that falls from 120 to 95 in 100 s and rises in 25 s turns
// where its lines cross, to within a second, at ten seconds
// within half of that (its rise then has two readings); noise of half a
// count makes no turn more.
func TestTurns(t *testing.T) {
	g := rand.New(rand.NewPCG(2, 2))
	const cycle, rest, begin = 125.0, 100.0, 40.37
	pressure := func(s float64) float64 {
		at := math.Mod(s-begin+10*cycle, cycle) // 0: unloads
		p := 120 - at/rest*25
		if at >= rest {
			p = 95 + (at-rest)/(cycle-rest)*25
		}
		return math.Round((p+0.05*g.NormFloat64())*10) / 10
	}
	for _, periodMS := range []int64{250, 1000, 2000, 10_000} {
		times, values := series(periodMS, 1700, pressure)
		got := Edges(times, values, Options{Turns: true})
		if len(got) < 22 || len(got) > 27 {
			t.Fatalf("every %d ms: %d turns: %v", periodMS, len(got), got)
		}
		for _, e := range got {
			truth := begin
			if e.Rise {
				truth += rest
			}
			off := math.Remainder(float64(e.MS)/1000-truth, cycle) * 1000
			if limit := max(1000, float64(periodMS)/2); math.Abs(off) > limit {
				t.Errorf("every %d ms: the turn %v lies %.0f ms off", periodMS, e, off)
			}
		}
	}
	if got := Edges([]int64{0, 1, 2, 3, 4}, []float64{5, 5, 5, 5, 5}, Options{Turns: true}); got != nil {
		t.Errorf("a constant turns: %v", got)
	}
	// By hand: up 2 a second from 0 to 3.5 s, down 2 a second after: 7 at the peak,
	// which no reading shows; then up again from 6.5 s.
	got := Edges([]int64{0, 1000, 2000, 3000, 4000, 5000, 6000, 7000, 8000, 9000}, []float64{0, 2, 4, 6, 6, 4, 2, 2, 4, 6}, Options{Turns: true})
	if len(got) != 2 || got[0] != (Edge{3500, false, 4}) || got[1] != (Edge{6500, true, 4}) {
		t.Errorf("by hand: %v, want 3.5 s and 6.5 s", got)
	}
}
