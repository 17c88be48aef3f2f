package intake

import (
	"errors"
	"math"
	"math/big"
	"math/rand/v2"
	"strconv"
	"strings"
	"testing"

	"loadscribe/agent/scan"
)

func TestNumbers(t *testing.T) {
	for _, tt := range []struct {
		text  string
		comma bool
		want  string // as a fraction; or what the error says
	}{
		{"7.25", false, "29/4"}, {"7,25", true, "29/4"}, {"-0.5", false, "-1/2"}, {"+3", false, "3/1"}, {".5", false, "1/2"},
		{"5.", false, "5/1"}, {"1e3", false, "1000/1"}, {"1.5E-2", false, "3/200"}, {"007", false, "7/1"}, {"-0", false, "0/1"},
		{"123456789012345678901234567890", false, "123456789012345678901234567890/1"},
		{"1,234.5", false, `the decimal sign is "." here`},
		{"1.234,5", true, `the decimal sign is "," here`},
		{"1,234", false, `write decimal = ","`},
		{"1.234", true, `write decimal = "."`},
		{"1 234", false, "digits are grouped"}, {"1\u00a0234", false, "digits are grouped"}, {"1'234.5", false, "digits are grouped"},
		{"1_000", false, "digits are grouped"}, {"1.2.3", false, "digits are grouped"},
		{"", false, "not a number"}, {"-", false, "not a number"}, {".", false, "not a number"}, {"1e", false, "not a number"},
		{"1e999", false, "not a number"}, {"NaN", false, "not a number"}, {"inf", false, "not a number"}, {"0x10", false, "not a number"},
		{"7.3 bar", false, "not a number"}, {"=1+1", false, "not a number"}, {"12%", false, "not a number"}, {"--1", false, "not a number"},
		{"１２", false, "not a number"}, // full-width digits
	} {
		n, err := parseNumber([]byte(tt.text), tt.comma)
		if err != nil {
			if !strings.Contains(err.Error(), tt.want) {
				t.Errorf("%q: %v, want %q", tt.text, err, tt.want)
			}
			continue
		}
		if got := n.rat().String(); got != tt.want {
			t.Errorf("%q: got %s, want %s", tt.text, got, tt.want)
		}
	}
}

// math/big is the peer: it reads the same decimals as fractions.
func TestNumbersAsMathBigReadsThem(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 3))
	for range 20_000 {
		text := strconv.FormatFloat(r.NormFloat64()*float64(uint64(1)<<r.IntN(64)), "feg"[r.IntN(3)], r.IntN(18), 64)
		want, ok := new(big.Rat).SetString(text)
		n, err := parseNumber([]byte(text), false)
		if !ok || err != nil || n.rat().Cmp(want) != 0 {
			t.Fatalf("%q: got %v, %v, want %v", text, n.rat(), err, want)
		}
	}
}

// The short way of reckoning counts gives what the exact one gives, or leaves
// it to that.
func TestQuickCountsAreTheExactOnes(t *testing.T) {
	r := rand.New(rand.NewPCG(4, 4))
	quick := 0
	for range 20_000 {
		scale := []float64{1, 0.1, 0.01, 0.0125, 10, 2.5, -0.1, 0.3333333333333333, 1e-9, 1e12}[r.IntN(10)]
		offset := []float64{0, -40, 0.5, 1e9, 273.15}[r.IntN(5)]
		f, s := exactly(scale), exactly(offset)
		c := &codec{factor: f.Inv(f), shift: s}
		c.shift.Neg(c.shift).Mul(c.shift, c.factor)
		c.setSmall()
		n := number{mantissa: r.Int64N(1<<r.IntN(62)+1) - r.Int64N(1000), places: r.IntN(12)}
		got, ok := c.quick(n)
		if !ok {
			continue
		}
		quick++
		if want := c.exact(n); !want.IsInt() || !want.Num().IsInt64() || want.Num().Int64() != got {
			t.Fatalf("%d·10^-%d at %g + %g: got %d, want %v", n.mantissa, n.places, scale, offset, got, want)
		}
	}
	if quick < 500 {
		t.Errorf("only %d of 20,000 went the short way", quick)
	}
}

// Units convert exactly where decimals do, and else to a thousandth of the last
// digit, 17 digits to what fits beside the number of decimals. 1 psi is 6.894757293168361 kPa (NIST SP 811, appendix B, from memory),
// 100 °F are 37.777… °C, 1 m³/h is 1/60 m³/min.
func TestConvertedColumns(t *testing.T) {
	b := newBench(t)
	b.write("flow.toml", "protocol = \"file\"\n"+
		"[[channel]]\nname = \"a\"\nunit = \"kPa\"\n[[channel]]\nname = \"b\"\nunit = \"°C\"\n[[channel]]\nname = \"c\"\nunit = \"m³/min\"\n[[channel]]\nname = \"d\"\nunit = \"bar\"\n")
	b.load()
	b.write("f.csv", "time,A,B,C,D\n2026-01-01T00:00:00Z,100.0,100,366.6,0.30000000000000004\n2026-01-01T00:00:10Z,-1,212,1,53.599999999999994\n")
	all, _ := b.mustScans(`[[logger]]
name = "l"
files = ["f.csv"]
[[logger.column]]
name = "A"
channel = "flow.a"
unit = "psi"
[[logger.column]]
name = "B"
channel = "flow.b"
unit = "°F"
[[logger.column]]
name = "C"
channel = "flow.c"
unit = "m3/h"
[[logger.column]]
name = "D"
channel = "flow.d"
`)
	want := `2026-01-01T00:00:00.000Z flow 10s 689.4757 37.7778 6.110000 0.30000000000000004
2026-01-01T00:00:10.000Z flow 10s -6.895 100.0000 0.01667 53.59999999999999
`
	if got := told(all); got != want {
		t.Errorf("got\n%swant\n%s", got, want)
	}
}

// strconv is the peer: the nearest float32 and float64 of a decimal.
func TestFloatsAreTheNearest(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 5))
	one, zero := big.NewRat(1, 1), new(big.Rat)
	c32 := &codec{channel: &scan.Channel{Kind: scan.KindFloat32}, factor: one, shift: zero, identity: true}
	c64 := &codec{channel: &scan.Channel{Kind: scan.KindFloat64}, factor: one, shift: zero, identity: true}
	for range 20_000 {
		text := strconv.FormatInt(r.Int64N(1<<r.IntN(60)+1)-r.Int64N(1000), 10) + "e-" + strconv.Itoa(r.IntN(20))
		n, err := parseNumber([]byte(text), false)
		if err != nil {
			t.Fatal(err)
		}
		want32, err1 := strconv.ParseFloat(text, 32)
		want64, err2 := strconv.ParseFloat(text, 64)
		got32, err3 := c32.raw(n)
		got64, err4 := c64.raw(n)
		if err := errors.Join(err1, err2, err3, err4); err != nil {
			t.Fatal(err)
		}
		if uint32(got32) != math.Float32bits(float32(want32)) || uint64(got64) != math.Float64bits(want64) {
			t.Fatalf("%s: got %#x and %#x, want %g and %g", text, got32, got64, want32, want64)
		}
	}
}
