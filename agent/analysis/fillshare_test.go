package analysis

import (
	"math"
	"testing"
)

// A sump that blows down with a time constant τ has, after a rest of τ, 1 - 1/e of
// the way behind it, and a load has only that to fill (first-order decay, by hand).
// What did not rest unloaded right before, or rested long, fills all of it.
func TestFillShare(t *testing.T) {
	const tauS = 20.0
	load := stretch{from: 100_000, to: 130_000, state: Loaded, seenLoad: true}
	for _, c := range []struct {
		name   string
		before stretch
		want   float64
	}{
		{"a rest of one time constant", stretch{from: 80_000, to: 100_000, state: Unloaded}, 1 - 1/math.E},
		{"a rest of a tenth of it", stretch{from: 98_000, to: 100_000, state: Unloaded}, 1 - math.Exp(-0.1)},
		{"a rest of ten", stretch{from: -100_000, to: 100_000, state: Unloaded}, 1},
		{"standing", stretch{from: 98_000, to: 100_000, state: Stopped}, 1},
		{"a gap between", stretch{from: 90_000, to: 95_000, state: Unloaded}, 1},
	} {
		if got := fillShare(c.before, load, tauS); math.Abs(got-c.want) > 1e-12 {
			t.Errorf("%s: %g, want %g", c.name, got, c.want)
		}
	}
}
