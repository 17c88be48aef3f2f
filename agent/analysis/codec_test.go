package analysis

import (
	"bytes"
	"errors"
	"math"
	"math/big"
	"reflect"
	"slices"
	"testing"

	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"

	"pgregory.net/rapid"
)

func (a Int128) big() *big.Int {
	b := new(big.Int).Lsh(big.NewInt(a.Hi), 64)
	return b.Add(b, new(big.Int).SetUint64(a.Lo))
}

// TestInt128 holds the arithmetic to math/big.
func TestInt128(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		edge := rapid.SampledFrom([]int64{0, 1, -1, math.MaxInt64, math.MinInt64, 1 << 61, -(1 << 61)})
		num := rapid.OneOf(rapid.Int64(), edge)
		x, y, z, w := num.Draw(t, "x"), num.Draw(t, "y"), num.Draw(t, "z"), num.Draw(t, "w")
		want := new(big.Int).Mul(big.NewInt(x), big.NewInt(y))
		if got := MulInt64(x, y); got.big().Cmp(want) != 0 {
			t.Fatalf("%d·%d = %v, want %v", x, y, got.big(), want)
		}
		// Halves keep the sum inside 128 bits.
		a, b := MulInt64(x/2, y), MulInt64(z/2, w)
		sum := new(big.Int).Add(a.big(), b.big())
		if got := a.Add(b); got.big().Cmp(sum) != 0 {
			t.Fatalf("%v + %v = %v, want %v", a.big(), b.big(), got.big(), sum)
		}
		if got := a.Neg().big(); got.Cmp(new(big.Int).Neg(a.big())) != 0 {
			t.Fatalf("-(%v) = %v", a.big(), got)
		}
		exact, _ := new(big.Float).SetInt(sum).Float64()
		if got := a.Add(b).Float64(); math.Abs(got-exact) > math.Abs(exact)*0x1p-51 {
			t.Fatalf("float of %v = %g, want %g", sum, got, exact)
		}
		r := &reader{b: appendInt128(nil, a)}
		if got := r.int128(); got != a || r.end() != nil {
			t.Fatalf("%v comes back as %v, %v", a.big(), got.big(), r.err)
		}
		if d := num.Draw(t, "d"); d > 0 {
			q := new(big.Int).Quo(a.big(), big.NewInt(d))
			if q.IsInt64() && a.divInt64(d) != q.Int64() {
				t.Fatalf("%v / %d = %d, want %v", a.big(), d, a.divInt64(d), q)
			}
		}
	})
}

func TestFixedCounts(t *testing.T) {
	f32 := func(v float32) int64 { return int64(math.Float32bits(v)) }
	f64 := func(v float64) int64 { return int64(math.Float64bits(v)) }
	for _, c := range []struct {
		name    string
		kind    scan.Kind
		counter bool
		raw     int64
		want    int64
		ok      bool
	}{
		{"int", scan.KindInt, false, -7, -7, true},
		{"int too large", scan.KindInt, false, 1 << 61, 0, false},
		{"uint", scan.KindUint, true, 1 << 60, 1 << 60, true},
		{"uint over int64", scan.KindUint, true, -1, 0, false},
		{"float32", scan.KindFloat32, false, f32(6.5), 6.5 * 65_536, true},
		{"float32 NaN", scan.KindFloat32, false, f32(float32(math.NaN())), 0, false},
		{"float64 infinity", scan.KindFloat64, false, f64(math.Inf(-1)), 0, false},
		{"float64 too large", scan.KindFloat64, false, f64(1e30), 0, false},
		{"float64 counter", scan.KindFloat64, true, f64(12.25), 12.25 * 1024, true},
		{"decimal 7.21", scan.KindDecimal, false, 721<<8 | 2, 7_210_000, true},
		{"decimal -0.5", scan.KindDecimal, false, -5<<8 | 1, -500_000, true},
		{"decimal of eight places", scan.KindDecimal, false, 150<<8 | 8, 2, true},
		{"unknown kind", 99, false, 1, 0, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, ok := fixedCounts(c.kind, c.counter, c.raw)
			if ok != c.ok || ok && got != c.want {
				t.Errorf("kind %d raw %#x: %d, %v; want %d, %v", c.kind, c.raw, got, ok, c.want, c.ok)
			}
		})
	}
}

// FuzzDelta: no bytes make the decoder panic or ask for much memory, and what
// it takes has one spelling.
func FuzzDelta(f *testing.F) {
	site := plant(f)
	f.Add([]byte{})
	f.Add(newDelta(&spec{}).encode(nil, 0))
	tp := newTape(site, monday)
	for sec := int64(0); sec < 200; sec++ {
		on := sec / 70 % 2
		tp.add("controller", sec*1000, 1, on, 0, 0, 6000+sec, 3)
		tp.add("meter", sec*1000, 360*on, sec)
	}
	for _, p := range fold(site, tp.scans, 50).pieces {
		f.Add(p.Delta)
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		const base = monday
		d, err := decodeDelta(b, base)
		if err != nil {
			if !errors.Is(err, ErrSummary) {
				t.Fatalf("error %v is not ErrSummary", err)
			}
			return
		}
		if got := d.encode(nil, base); !bytes.Equal(got, b) {
			t.Fatalf("%x comes back as %x", b, got)
		}
	})
}

func FuzzCarry(f *testing.F) {
	site := plant(f)
	var c carry
	c.init(8, 20)
	f.Add(c.encode(nil))
	tp := newTape(site, monday)
	for sec := int64(0); sec < 200; sec++ {
		on := sec / 70 % 2
		tp.add("controller", sec*1000, 1, on, 0, 0, 6000+sec, 3)
		tp.add("meter", sec*1000, 360*on, sec)
	}
	for _, p := range fold(site, tp.scans, 50, 300).pieces {
		f.Add(p.Exit)
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		c, err := decodeCarry(b, 8, 20)
		if err != nil {
			if !errors.Is(err, ErrSummary) {
				t.Fatalf("error %v is not ErrSummary", err)
			}
			return
		}
		if got := c.encode(nil); !bytes.Equal(got, b) {
			t.Fatalf("%x comes back as %x", b, got)
		}
	})
}

func FuzzState(f *testing.F) {
	site := plant(f)
	tp := newTape(site, monday)
	for sec := int64(0); sec < 100; sec++ {
		tp.add("controller", sec*1000, 1, sec/30%2, 0, 0, 6000+sec, 3)
	}
	folder := NewFolder(site, sitefile.Groups(site))
	for i := range tp.scans {
		folder.Step(&tp.scans[i])
	}
	_, state := folder.Flush()
	f.Add(state)
	f.Add(slices.Concat([]byte{oldStateVersion}, state[1:]))
	f.Add(oldState(f))
	f.Fuzz(func(t *testing.T, b []byte) {
		again := NewFolder(site, sitefile.Groups(site))
		if err := again.Restore(b); err != nil {
			if !errors.Is(err, ErrSummary) {
				t.Fatalf("error %v is not ErrSummary", err)
			}
			return
		}
		_, got := again.Flush()
		if len(b) > 0 && b[0] == oldStateVersion { // comes back as the present one
			b = got
			if err := again.Restore(b); err != nil {
				t.Fatal(err)
			}
			_, got = again.Flush()
		}
		if b != nil && !bytes.Equal(got, b) {
			t.Fatalf("%x comes back as %x", b, got)
		}
	})
}

// TestRestoreRefusesAnotherSite: a saved state is for one fold only.
func TestRestoreRefusesAnotherSite(t *testing.T) {
	site := plant(t)
	f := NewFolder(site, sitefile.Groups(site))
	_, state := f.Flush()
	other := plant(t)
	delete(other.Machines[0].Roles, scan.Standby)
	g := NewFolder(other, sitefile.Groups(other))
	if err := g.Restore(state); !errors.Is(err, ErrSummary) {
		t.Errorf("restore of another site's state: %v, want ErrSummary", err)
	}
	repriced := plant(t)
	repriced.Tariff.Energy[0].PerKWh = 9
	repriced.Machines[0].RatedFlowM3S *= 2
	h := NewFolder(repriced, sitefile.Groups(repriced))
	if err := h.Restore(state); err != nil {
		t.Errorf("restore after a change of price and rated flow: %v; summaries know neither", err)
	}
	if err := h.Restore([]byte{99}); !errors.Is(err, ErrSummary) {
		t.Errorf("restore of another version: %v, want ErrSummary", err)
	}
}

// TestPiecesOfAnotherFold: pieces made under other settings are left aside and
// the window is folded from raw.
func TestPiecesOfAnotherFold(t *testing.T) {
	site := plant(t)
	m := fold(site, handWorked(t).scans)
	want := mustCompute(t, m, site, monday, monday+hourMS)
	for i := range m.pieces {
		m.pieces[i].Config = "another"
	}
	got := mustCompute(t, m, site, monday, monday+hourMS)
	if !reflect.DeepEqual(flat(got), flat(want)) {
		t.Errorf("got\n%s\nwant\n%s", asJSON(t, got), asJSON(t, want))
	}
	if m.reads == 0 {
		t.Error("no raw scan was read")
	}
}
