package transfer

import (
	"bytes"
	"math"
	"math/big"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"loadscribe/agent/scan"
)

func TestAppendValue(t *testing.T) {
	tests := []struct {
		name          string
		kind          scan.Kind
		scale, offset float64
		raw           int64
		want          string
	}{
		{"the case that binary floats get wrong", scan.KindInt, 0.1, 0, 1024, "102.4"},
		{"places show the resolution", scan.KindInt, 0.1, 0, 1030, "103.0"},
		{"plain", scan.KindInt, 1, 0, 42, "42"},
		{"zero", scan.KindInt, 0.01, 0, 0, "0.00"},
		{"negative", scan.KindInt, 0.1, 0, -5, "-0.5"},
		{"negative zero is zero", scan.KindInt, 1, 0, 0, "0"},
		{"most negative count", scan.KindInt, 1, 0, math.MinInt64, "-9223372036854775808"},
		{"most negative count, scaled", scan.KindInt, 0.001, 0, math.MinInt64, "-9223372036854775.808"},
		{"product beyond 64 bits", scan.KindInt, 1234567, 0, math.MaxInt64, "11386870745423690003720569"},
		{"offset of a 4-20 mA input", scan.KindInt, 0.00625, -25, 16000, "75.00000"},
		{"offset with more places", scan.KindInt, 0.1, 0.25, 10, "1.25"},
		{"negative scale", scan.KindInt, -0.1, 0, 13, "-1.3"},
		{"scale above one", scan.KindInt, 10, 0, 7, "70"},
		{"u64", scan.KindUint, 0.1, 0, -1, "1844674407370955161.5"},
		{"f32 prints what was meant", scan.KindFloat32, 1, 0, int64(math.Float32bits(7.1)), "7.1"},
		{"f32 scaled", scan.KindFloat32, 0.1, 0, int64(math.Float32bits(7.1)), "0.71"},
		{"f64", scan.KindFloat64, 1, 0, int64(math.Float64bits(0.1)), "0.1"},
		{"f64 beyond all quantities", scan.KindFloat64, 1, 0, int64(math.Float64bits(1e300)), "1e+300"},
		{"f64 below all quantities", scan.KindFloat64, 1, 0, int64(math.Float64bits(1e-300)), "1e-300"},
		{"NaN", scan.KindFloat32, 1, 0, int64(math.Float32bits(float32(math.NaN()))), ""},
		{"infinity", scan.KindFloat64, 1, 0, int64(math.Float64bits(math.Inf(-1))), ""},
		{"text digits keep their places", scan.KindDecimal, 1, 0, 7250<<8 | 3, "7.250"},
		{"text digits, negative", scan.KindDecimal, 1, 0, -725<<8 | 2, "-7.25"},
		{"text digits, negative, below one", scan.KindDecimal, 1, 0, -7<<8 | 3, "-0.007"},
		{"text digits, scaled", scan.KindDecimal, 0.1, 0, 725<<8 | 2, "0.725"},
		{"text digits, most places", scan.KindDecimal, 1, 0, 1<<8 | 18, "0.000000000000000001"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			c := &scan.Channel{Kind: tt.kind, Scale: tt.scale, Offset: tt.offset}
			got := string(AppendValue([]byte("x"), c, tt.raw))
			if got != "x"+tt.want {
				t.Errorf("raw %d × %v + %v: %q, want %q", tt.raw, tt.scale, tt.offset, got, "x"+tt.want)
			}
		})
	}
}

// The quick path against rationals: the printed decimal is counts × scale, to
// the last digit.
func TestAppendValueIsExact(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		scaleText := strconv.FormatFloat(rapid.Float64Range(1e-9, 1e6).Draw(t, "scale"), 'g', rapid.IntRange(1, 17).Draw(t, "digits"), 64)
		scale, err := strconv.ParseFloat(scaleText, 64)
		if err != nil {
			t.Fatal(err)
		}
		c := &scan.Channel{Kind: scan.KindInt, Scale: scale, Offset: float64(rapid.IntRange(-3, 3).Draw(t, "offset"))}
		raw := rapid.Int64().Draw(t, "raw")
		counts := new(big.Rat).SetInt64(raw)
		if rapid.Bool().Draw(t, "decimal") {
			c.Kind = scan.KindDecimal
			places := rapid.Int64Range(0, 18).Draw(t, "places")
			counts.SetFrac(big.NewInt(raw>>8), new(big.Int).Exp(big.NewInt(10), big.NewInt(places), nil))
			raw = raw&^0xff | places
		}
		got, ok := new(big.Rat).SetString(string(AppendValue(nil, c, raw)))
		if !ok {
			t.Fatalf("not a number: %q", AppendValue(nil, c, raw))
		}
		want, _ := new(big.Rat).SetString(strconv.FormatFloat(scale, 'g', -1, 64))
		want.Mul(want, counts)
		want.Add(want, new(big.Rat).SetFloat64(c.Offset))
		if got.Cmp(want) != 0 {
			t.Fatalf("%d × %v + %v: got %s, want %s", raw, scale, c.Offset, got.FloatString(40), want.FloatString(40))
		}
	})
}

// The quick path of binary numbers against the one with big numbers.
func TestFloatsPrintAlike(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := &scan.Channel{Kind: scan.KindFloat64, Scale: rapid.SampledFrom([]float64{1, 0.1, 1000, 0.00625, 0}).Draw(t, "scale")}
		v := rapid.OneOf(rapid.Float64(), rapid.Float64Range(-1000, 1000), rapid.Map(rapid.IntRange(-99999, 99999), func(n int) float64 { return float64(n) / 100 })).Draw(t, "v")
		raw := int64(math.Float64bits(v))
		if rapid.Bool().Draw(t, "binary32") {
			c.Kind, raw = scan.KindFloat32, int64(math.Float32bits(float32(v)))
		}
		slow := printer{channel: c}
		if got, want := AppendValue(nil, c, raw), slow.append(nil, raw); !bytes.Equal(got, want) {
			t.Fatalf("%v × %v: %q, want %q", c.Kind.Counts(raw), c.Scale, got, want)
		}
	})
}

func TestValueRoundsOnce(t *testing.T) {
	c := &scan.Channel{Kind: scan.KindInt, Scale: 0.1}
	for raw := int64(-20000); raw < 20000; raw++ {
		text := strconv.FormatFloat(Value(c, raw), 'f', -1, 64)
		if _, frac, _ := strings.Cut(text, "."); len(frac) > 1 {
			t.Fatalf("%d counts of 0.1 are %s", raw, text)
		}
	}
	nan := &scan.Channel{Kind: scan.KindFloat64, Scale: 1}
	if v := Value(nan, int64(math.Float64bits(math.NaN()))); !math.IsNaN(v) {
		t.Errorf("NaN became %v", v)
	}
}

func FuzzAppendValue(f *testing.F) {
	f.Add(uint8(1), 0.1, 0.0, int64(1034))
	f.Add(uint8(3), 1.0, 0.5, int64(math.Float32bits(7.1)))
	f.Add(uint8(5), 0.001, -25.0, int64(7250<<8|3))
	f.Fuzz(func(t *testing.T, kind uint8, scale, offset float64, raw int64) {
		c := &scan.Channel{Kind: scan.Kind(kind), Scale: scale, Offset: offset}
		text := AppendValue(nil, c, raw)
		if len(text) == 0 {
			return
		}
		if len(text) > 200 {
			t.Errorf("%d digits", len(text))
		}
		if _, err := strconv.ParseFloat(string(text), 64); err != nil {
			t.Errorf("%q is not a number: %v", text, err)
		}
	})
}
