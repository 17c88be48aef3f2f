package align

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// TestHandWorked is a small case worked by hand: a logger that is 37.2 s behind at
// noon and gains 0.05 s an hour (1.2 s a day, 13.9 ppm). At 07:00 it is then
// 37.2 + 5·0.05 = 37.45 s behind, at 17:00 36.95 s.
func TestHandWorked(t *testing.T) {
	rows := []struct {
		reference, other string // the other's by hand: reference − 37.2 s + 0.05 s an hour since noon
		rise             bool
	}{
		{"07:00:00.00", "06:59:22.55", true},
		{"07:10:00.00", "07:09:22.56", false}, // 4.8333 h before noon: 37.4417 s
		{"07:36:00.00", "07:35:22.58", true},  // 4.4 h: 37.42 s
		{"08:24:00.00", "08:23:22.62", false}, // 3.6 h: 37.38 s
		{"09:00:00.00", "08:59:22.65", true},  // 3 h: 37.35 s
		{"10:00:00.00", "09:59:22.70", false}, // 2 h: 37.3 s
		{"10:48:00.00", "10:47:22.74", true},  // 1.2 h: 37.26 s
		{"12:00:00.00", "11:59:22.80", false}, // 37.2 s
		{"12:36:00.00", "12:35:22.83", true},  // -0.6 h: 37.17 s
		{"14:00:00.00", "13:59:22.90", false}, // -2 h: 37.1 s
		{"15:12:00.00", "15:11:22.96", true},  // -3.2 h: 37.04 s
		{"17:00:00.00", "16:59:23.05", false}, // -5 h: 36.95 s
	}
	ms := func(clock string) int64 {
		at, err := time.Parse("2006-01-02 15:04:05.00", "2026-03-03 "+clock)
		if err != nil {
			t.Fatal(err)
		}
		return at.UnixMilli()
	}
	var reference, other []Edge
	for _, r := range rows {
		reference = append(reference, Edge{ms(r.reference), r.rise, 1})
		other = append(other, Edge{ms(r.other), r.rise, 1})
	}
	a, err := Match(reference, other, Options{})
	if err != nil {
		t.Fatal(err)
	}
	noon := float64(a.Correct(ms("11:59:22.80")) - ms("12:00:00.00"))
	if a.Matched != 12 || a.Of != 12 || math.Abs(noon) > 10 || math.Abs(a.DriftPPM+0.05/3600*1e6) > 1 {
		t.Errorf("%+v, at noon %v ms off; want 12 of 12, 0 ms and %.2f ppm", a, noon, -0.05/3600*1e6)
	}
	for i := range other {
		if off := a.Correct(other[i].MS) - reference[i].MS; max(off, -off) > 15 {
			t.Errorf("row %d lies %d ms off", i, off)
		}
	}
	const want = " behind power-logger's when it shows 2026-03-03 11:59 UTC and gains 1.2 s a day; 12 of 12 transitions meet within 0.0"
	if s := a.Describe("flow-logger", "power-logger"); !strings.HasPrefix(s, "flow-logger's clock is 37.2 s (± ") || !strings.Contains(s, want) {
		t.Errorf("it says %q", s)
	}
}

// jittered are transitions with random times of load and of rest.
func jittered(g *rand.Rand, n int, load, rest float64) []Edge {
	at, edges := 1.7723e12, make([]Edge, 0, n)
	for i := range n {
		mean := rest
		if i%2 == 1 {
			mean = load
		}
		at += mean * (0.3 + 0.7*g.ExpFloat64())
		edges = append(edges, Edge{int64(at), i%2 == 0, 1})
	}
	return edges
}

// seen is what another logger makes of them: its clock, its sampling, transitions
// that it lacks and some that nobody else has.
func seen(g *rand.Rand, edges []Edge, offsetMS, ppm, periodMS, lacks, extra float64) []Edge {
	middle := edges[len(edges)/2].MS
	var out []Edge
	for _, e := range edges {
		if g.Float64() < lacks {
			continue
		}
		if g.Float64() < extra {
			out = append(out, Edge{e.MS + int64(g.Float64()*60_000), g.IntN(2) == 0, 1})
		}
		own := clockOf(float64(e.MS), float64(middle), offsetMS, ppm)
		e.MS = int64(math.Ceil(own/periodMS)*periodMS - periodMS/2)
		out = append(out, e)
	}
	slices.SortStableFunc(out, func(a, b Edge) int { return int(a.MS - b.MS) })
	return out
}

// clockOf is the other's clock at a true time: the inverse of what must be added.
func clockOf(truth, middle, offsetMS, ppm float64) float64 {
	return middle + (truth-middle-offsetMS)/(1+ppm/1e6)
}

// TestRecovers puts any offset and drift on random transitions, drops a tenth,
// adds a tenth, and demands them back: to within half a sampling period over the
// whole record, and the stated interval is not wider than a period.
func TestRecovers(t *testing.T) {
	if testing.Short() {
		t.Skip("one goroutine, and slow under the race detector; not under -short")
	}
	rapid.Check(t, func(t *rapid.T) {
		g := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 1))
		n := rapid.IntRange(120, 900).Draw(t, "edges")
		offset := rapid.Float64Range(-25.5*3600e3, 25.5*3600e3).Draw(t, "offset")
		ppm := rapid.Float64Range(-190, 190).Draw(t, "ppm")
		period := rapid.SampledFrom([]float64{250, 1000, 2000, 10_000}).Draw(t, "period")
		inverted := rapid.Bool().Draw(t, "inverted")
		edges := jittered(g, n, 90_000, 140_000)
		other := seen(g, edges, offset, ppm, period, 0.1, 0.1)
		if inverted {
			for i := range other {
				other[i].Rise = !other[i].Rise
			}
		}
		a, err := Match(edges, other, Options{PeriodMS: period})
		if err != nil {
			t.Fatal(err)
		}
		middle := float64(edges[n/2].MS)
		for _, e := range []Edge{edges[0], edges[n/2], edges[n-1]} {
			own := clockOf(float64(e.MS), middle, offset, ppm)
			if off := float64(a.Correct(int64(own)) - e.MS); math.Abs(off) > period/2 {
				t.Fatalf("%.0f ms off at %d: %+v", off, e.MS, a)
			}
		}
		if a.Inverted != inverted || a.UncertaintyMS > period {
			t.Fatalf("%+v, inverted %v", a, inverted)
		}
	})
}

// TestStatedIntervalHolds counts how often the corrected time at the record's
// two ends lies within the stated uncertainty: 95 % is what it says.
func TestStatedIntervalHolds(t *testing.T) {
	if testing.Short() {
		t.Skip("one goroutine, and slow under the race detector; not under -short")
	}
	const runs = 300
	held := 0
	for seed := range uint64(runs) {
		g := rand.New(rand.NewPCG(seed, 7))
		edges := jittered(g, 240, 90_000, 140_000)
		offset, ppm := 1e6*(g.Float64()-0.5), 200*(g.Float64()-0.5)
		a, err := Match(edges, seen(g, edges, offset, ppm, 10_000, 0.1, 0.1), Options{PeriodMS: 10_000})
		if err != nil {
			t.Fatal(seed, err)
		}
		for _, e := range []Edge{edges[0], edges[len(edges)-1]} {
			own := clockOf(float64(e.MS), float64(edges[120].MS), offset, ppm)
			if math.Abs(float64(a.Correct(int64(own))-e.MS)) <= a.UncertaintyMS {
				held++
			}
		}
	}
	// Of 600, 570 are expected, with a standard deviation of 5.
	if t.Logf("the interval held %d of %d times", held, 2*runs); held < 2*runs*92/100 {
		t.Errorf("the interval held %d of %d times, want 92 %% at the least", held, 2*runs)
	}
}

// TestRefuses holds the reasons why there is no alignment.
func TestRefuses(t *testing.T) {
	if testing.Short() {
		t.Skip("one goroutine, and slow under the race detector; not under -short")
	}
	g := rand.New(rand.NewPCG(3, 3))
	random := jittered(g, 400, 90_000, 140_000)
	var periodic []Edge
	for i := range 600 {
		periodic = append(periodic, Edge{1_772_300_000_000 + int64(i)*47_000, i%2 == 0, 1})
	}
	shifted := func(edges []Edge, ms int64) []Edge {
		out := slices.Clone(edges)
		for i := range out {
			out[i].MS += ms
		}
		return out
	}
	steps := slices.Concat(shifted(random[:200], 20_000), shifted(random[200:], 3_620_000))
	hint := -12_000.0
	tests := []struct {
		name             string
		reference, other []Edge
		o                Options
		want             error
	}{
		{"few", random[:5], random, Options{}, ErrTooFew},
		{"apart", random, shifted(random, 9*86400_000), Options{}, ErrTooFew},
		{"unrelated", random, jittered(rand.New(rand.NewPCG(4, 4)), 400, 90_000, 140_000), Options{}, ErrUnrelated},
		{"unrelated, dense", jittered(g, 4000, 8_000, 9_000), jittered(g, 4000, 8_000, 9_000), Options{PeriodMS: 2000}, ErrUnrelated},
		{"periodic", periodic, shifted(periodic, 12_000), Options{}, ErrAmbiguous},
		{"periodic, some lacking", periodic, seen(g, periodic, -12_000, 20, 1000, 0.2, 0.05), Options{}, ErrAmbiguous},
		{"periodic, hint", periodic, shifted(periodic, 12_000), Options{HintMS: &hint, WithinMS: 30_000}, nil},
		{"periodic, hint too wide", periodic, shifted(periodic, 12_000), Options{HintMS: &hint, WithinMS: 300_000}, ErrAmbiguous},
		{"clock set", random, steps, Options{}, ErrClockSet},
		{"beyond the search", random, shifted(random, 3600_000), Options{SearchMS: 1800_000}, ErrUnrelated},
		{"drift beyond the search", random, seen(g, random, 0, 2000, 1000, 0, 0), Options{}, ErrUnrelated},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			a, err := Match(test.reference, test.other, test.o)
			if !errors.Is(err, test.want) {
				t.Fatalf("got %+v, error %v; want %v", a, err, test.want)
			}
			if err != nil && (!IsRefusal(err) || a != (Alignment{})) {
				t.Errorf("error %v with %+v", err, a)
			}
			t.Log(err)
			if test.want == nil && math.Abs(a.OffsetMS-hint) > 100 {
				t.Errorf("%+v, want %v", a, hint)
			}
		})
	}
}

// TestNightsAreRegular: a long night of a strict cycle does not hide the day that
// tells which cycle is which.
func TestNightsAreRegular(t *testing.T) {
	g := rand.New(rand.NewPCG(8, 8))
	edges := jittered(g, 120, 90_000, 140_000)
	at := edges[len(edges)-1].MS
	for i := range 900 {
		edges = append(edges, Edge{at + int64(i+1)*47_000, i%2 == 0, 1})
	}
	a, err := Match(edges, seen(g, edges, 3600_000, -40, 2000, 0.02, 0.02), Options{PeriodMS: 2000})
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(a.OffsetMS-3600_000) > 2000 {
		t.Errorf("%+v, want an hour", a)
	}
}

// TestDelays: rises that follow four seconds late are told from falls, and either
// can set the clock; a delay that both have is in the offset, unless it is known.
func TestDelays(t *testing.T) {
	if testing.Short() {
		t.Skip("one goroutine, and slow under the race detector; not under -short")
	}
	g := rand.New(rand.NewPCG(5, 5))
	edges := jittered(g, 400, 90_000, 140_000)
	other := seen(g, edges, 30_000, 0, 1000, 0.05, 0.05)
	for i := range other {
		other[i].MS += 2000
		if other[i].Rise {
			other[i].MS += 4000
		}
	}
	for _, test := range []struct {
		o    Options
		want float64
	}{
		{Options{}, 26_000},
		{Options{Prompt: Falls}, 28_000},
		{Options{Prompt: Rises}, 24_000},
		{Options{Prompt: Falls, LagMS: 2000}, 30_000},
	} {
		a, err := Match(edges, other, test.o)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(a.OffsetMS-test.want) > 150 || math.Abs(a.RisesLaterMS-4000) > 200 {
			t.Errorf("%+v: %+v, want %v and 4000 ms", test.o, a, test.want)
		}
		if both := test.o.Prompt == Both; both != (a.UncertaintyMS > 2000) {
			t.Errorf("%+v: ± %v ms", test.o, a.UncertaintyMS)
		}
		if s := a.Describe("p", "q"); !strings.Contains(s, "in p rises come 4.0 s later than falls") {
			t.Errorf("it says %q", s)
		}
	}
}

// TestLongRecord: a year, followed from two weeks; the same twice.
func TestLongRecord(t *testing.T) {
	if testing.Short() {
		t.Skip("one goroutine, and slow under the race detector; not under -short")
	}
	g := rand.New(rand.NewPCG(6, 6))
	edges := jittered(g, 50_000, 500_000, 760_000)
	other := seen(g, edges, -7200_000, 150, 10_000, 0.1, 0.1)
	a, err := Match(edges, other, Options{PeriodMS: 10_000})
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(a.DriftPPM-150) > 0.01 || a.Matched < 43_000 {
		t.Errorf("%+v", a)
	}
	if again, err := Match(edges, other, Options{PeriodMS: 10_000}); err != nil || again != a {
		t.Errorf("%+v and then %+v, %v", a, again, err)
	}
}

func TestDescribe(t *testing.T) {
	for _, test := range []struct {
		a    Alignment
		want string
	}{
		{Alignment{OffsetMS: 37_200, DriftPPM: -1.1 / 0.0864, Matched: 812, Of: 830, ResidualMS: 600, UncertaintyMS: 120},
			"flow's clock is 37.2 s (± 0.1 s) behind power's when it shows 1970-01-01 00:00 UTC and gains 1.1 s a day; 812 of 830 transitions meet within 0.6 s"},
		{Alignment{OffsetMS: -3_725_000, DriftPPM: 5, Matched: 20, Of: 20, ResidualMS: 900, UncertaintyMS: 200},
			"flow's clock is 1 h 2 min 5.0 s (± 0.2 s) ahead of power's when it shows 1970-01-01 00:00 UTC and loses 0.4 s a day; 20 of 20 transitions meet within 0.9 s"},
		{Alignment{OffsetMS: 12, Matched: 20, Of: 21, ResidualMS: 900, UncertaintyMS: 20, Inverted: true},
			"flow's clock is that of power (± 0.02 s) and keeps time with it; 20 of 21 transitions meet within 0.9 s; where power rises, flow falls"},
	} {
		if got := test.a.Describe("flow", "power"); got != test.want {
			t.Errorf("got  %s\nwant %s", got, test.want)
		}
	}
}

func ExampleAlignment_Describe() {
	a := Alignment{OffsetMS: 37_200, DriftPPM: -12.7, AtMS: 1_772_539_200_000, Matched: 812, Of: 830, ResidualMS: 600, UncertaintyMS: 90}
	fmt.Println(a.Describe("flow-logger", "power-logger"))
	// Output: flow-logger's clock is 37.2 s (± 0.1 s) behind power-logger's when it shows 2026-03-03 12:00 UTC and gains 1.1 s a day; 812 of 830 transitions meet within 0.6 s
}
