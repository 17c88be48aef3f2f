package store

import (
	"math"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"

	"loadscribe/agent/scan"
)

// testColumns are columns of all sorts, by name.
func testColumns() map[string][]int64 {
	r := rand.New(rand.NewPCG(5, 5))
	made := func(n int, value func(i int) int64) []int64 {
		v := make([]int64, n)
		for i := range v {
			v[i] = value(i)
		}
		return v
	}
	noise := func(sigma float64) int64 { return int64(math.Round(sigma * r.NormFloat64())) }
	bits32 := func(f float32) int64 { return int64(math.Float32bits(f)) }
	bits64 := func(f float64) int64 { return int64(math.Float64bits(f)) }
	return map[string][]int64{
		"empty": {}, "one": {5}, "constant": {9, 9, 9, 9}, "two": {math.MaxInt64, math.MinInt64},
		"extremes":        {math.MinInt64, math.MaxInt64, 0, math.MinInt64, -1},
		"many extremes":   made(700, func(i int) int64 { return []int64{math.MinInt64, math.MaxInt64, 0, -1}[r.IntN(4)] }),
		"any bits":        made(700, func(int) int64 { return int64(r.Uint64()) }),
		"floats":          {bits64(-1), bits64(1), bits64(math.NaN()), 0x7f800001, -1},
		"line":            made(300, func(i int) int64 { return math.MaxInt64 - 5 + 3*int64(i) }),
		"jittered line":   made(1000, func(i int) int64 { return 1000*int64(i) + r.Int64N(3) }),
		"few runs":        made(3600, func(i int) int64 { return int64(i / 900 % 2) }),
		"runs":            made(3600, func(i int) int64 { return int64(i/10) + r.Int64N(11)/10 }),
		"long runs":       held(made(3600, func(int) int64 { return r.Int64N(1000) }), func() int { return 20 + r.IntN(21) }),
		"multiples":       made(400, func(i int) int64 { return 7*noise(3) - 1<<62 }),
		"least multiples": made(400, func(i int) int64 { return []int64{0, math.MinInt64}[r.IntN(2)] }),
		"small noise":     made(3600, func(i int) int64 { return 1000 + noise(0.5) }),
		"noise":           made(3600, func(i int) int64 { return 4600 + noise(4) }),
		"large noise":     made(3600, func(i int) int64 { return noise(70000) }),
		"heavy tails":     made(3600, func(i int) int64 { return int64(math.Exp(8 * r.NormFloat64())) }),
		"steps":           made(3600, func(i int) int64 { return 100*int64(i/400%3) + noise(1) }),
		"tenths, 32 bit":  made(900, func(i int) int64 { return bits32(float32(700+noise(5)) / 10) }),
		"tenths, 64 bit":  made(900, func(i int) int64 { return bits64(float64(700+noise(5)) / 10) }),
		"tenths and NaN, 32 bit": made(900, func(i int) int64 {
			if i%50 == 7 {
				return 0x7fc00000 + int64(i)
			}
			return bits32(float32(700+noise(5)) / 10)
		}),
		"tenths and odd ones, 64 bit": made(900, func(i int) int64 {
			switch i % 50 {
			case 7:
				return 0x7ff8000000000000 + int64(i)
			case 8:
				return math.MinInt64 // -0
			case 9:
				return bits64(1e300)
			}
			return bits64(float64(700+noise(5)) / 10)
		}),
		"unsteady, 32 bit": made(900, func(i int) int64 { return bits32(float32(r.NormFloat64())) }),
		"unsteady, 64 bit": made(900, func(i int) int64 { return bits64(r.NormFloat64()) }),
	}
}

// held makes each value it meets stand for as many rows as length says.
func held(v []int64, length func() int) []int64 {
	for i := 0; i < len(v); {
		for n, x := length(), v[i]; n > 0 && i < len(v); n-- {
			v[i] = x
			i++
		}
	}
	return v
}

// Whatever a column holds, it comes back: lengths about the limits at which
// forms change, noise of any size, jumps, runs, extremes.
func TestColumnRoundTrip(t *testing.T) {
	var enc columnEncoder
	_, dec := testEncoder(t)
	forms := map[byte]int{}
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.OneOf(rapid.IntRange(0, 60), rapid.IntRange(250, 260), rapid.IntRange(300, 1500)).Draw(t, "n")
		k := scan.Kind(rapid.IntRange(1, 5).Draw(t, "kind"))
		sigma := rapid.SampledFrom([]float64{0, 0.3, 1, 5, 300, 1e9, 1e18}).Draw(t, "sigma")
		hold := rapid.SampledFrom([]int{1, 1, 3, 20}).Draw(t, "hold")
		jumps := rapid.SampledFrom([]int{0, 0, 5, 100}).Draw(t, "jumps")
		scale := rapid.SampledFrom([]int64{1, 1, 10, 256}).Draw(t, "scale")
		step := rapid.SampledFrom([]int64{0, 0, 1, 1000, math.MaxInt64 / 3}).Draw(t, "step")
		r := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 1))
		want := make([]int64, n)
		level, last := drawValue(t), int64(0)
		for i := range want {
			if jumps > 0 && r.IntN(1000) < jumps {
				level = int64(r.Uint64()) >> r.IntN(64)
			}
			if i%hold == 0 {
				last = level + int64(i)*step + scale*int64(math.Round(sigma*r.NormFloat64()))
			}
			want[i] = last
		}
		b, form := enc.append(nil, want, k)
		forms[form&formMask]++
		got := make([]int64, n)
		if err := dec.decode(&columnHead{version: 2, form: form, data: b}, got); err != nil {
			t.Fatal(err)
		}
		for i := range want {
			if got[i] != want[i] {
				t.Fatalf("form %#x: value %d of %d is %d, want %d", form, i, n, got[i], want[i])
			}
		}
	})
	t.Logf("columns by form: %v", forms)
}
