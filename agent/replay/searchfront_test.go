package replay

import (
	"math"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// ones tells apart what differs by one.
var ones = grain{energyJ: 1, pressurePa: 1}

func ends(front []trial) (combinations []int) {
	for _, t := range front {
		combinations = append(combinations, t.combination)
	}
	return combinations
}

// TestNonDominated is worked by hand after the definition of Pareto dominance (no
// worse in all objectives, better in one: Deb, Multi-Objective Optimization using
// Evolutionary Algorithms, section 2.4, from memory).
func TestNonDominated(t *testing.T) {
	trials := []trial{
		{combination: 0, energyJ: 100, starts: 5, lowestPa: 7},
		{combination: 1, energyJ: 90, starts: 5, lowestPa: 7},              // beats 0
		{combination: 2, energyJ: 90, starts: 6, lowestPa: 7},              // beaten by 1
		{combination: 3, energyJ: 120, starts: 2, lowestPa: 6},             // fewest starts
		{combination: 4, energyJ: 110, starts: 9, lowestPa: 9},             // highest pressure
		{combination: 5, energyJ: 90, starts: 5, lowestPa: 7, changed: -1}, // as 1, fewer changes
		{combination: 6, energyJ: 90, starts: 5, lowestPa: 7, price: 10},   // as 1, dearer
		{combination: 7, energyJ: 80, starts: 5, lowestPa: 7, price: 10},   // saves for money
		{combination: 8, energyJ: 90, starts: 7, lowestPa: 8},              // more pressure for starts
	}
	front := ones.nonDominated(trials)
	if got, want := ends(front), []int{7, 5, 8, 4, 3}; !slices.Equal(got, want) {
		t.Fatalf("the front is %v, want %v", got, want)
	}
	if front[1].alike != 1 {
		t.Errorf("%d are like combination 5, want 1", front[1].alike)
	}
	if len(ones.nonDominated(nil)) != 0 {
		t.Error("nothing has a front")
	}
}

// TestFrontProperties: against the definition, pair by pair.
func TestFrontProperties(t *testing.T) {
	beats := func(a, b [4]float64) bool {
		better := false
		for k := range a {
			if a[k] > b[k] {
				return false
			}
			better = better || a[k] < b[k]
		}
		return better
	}
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 60).Draw(t, "n")
		trials := make([]trial, n)
		few := rapid.IntRange(0, 4)
		for i := range trials {
			trials[i] = trial{combination: i, energyJ: float64(few.Draw(t, "energy")), starts: few.Draw(t, "starts"),
				lowestPa: float64(few.Draw(t, "pressure")), price: float64(few.Draw(t, "price")), changed: few.Draw(t, "changed")}
		}
		var want []int
		for i := range trials {
			stands := true
			for j := range trials {
				a, b := ones.objectives(&trials[i]), ones.objectives(&trials[j])
				if beats(b, a) || a == b && (trials[j].changed < trials[i].changed || trials[j].changed == trials[i].changed && j < i) {
					stands = false
				}
			}
			if stands {
				want = append(want, i)
			}
		}
		front := ones.nonDominated(trials)
		got := ends(front)
		slices.Sort(got)
		if !slices.Equal(got, want) {
			t.Fatalf("the front is %v, want %v", got, want)
		}
		shuffled := rapid.Permutation(trials).Draw(t, "order")
		if again := ones.nonDominated(shuffled); !slices.Equal(again, front) {
			t.Fatalf("in another order the front is %v, want %v", again, front)
		}
		most := rapid.IntRange(4, 10).Draw(t, "most")
		shown := ones.thinned(front, most)
		if len(shown) != min(most, len(front)) {
			t.Fatalf("%d of %d are shown, want %d", len(shown), len(front), min(most, len(front)))
		}
		for k := range 4 {
			best, kept := math.Inf(1), math.Inf(1)
			for i := range front {
				best = min(best, ones.objectives(&front[i])[k])
			}
			for i := range shown {
				kept = min(kept, ones.objectives(&shown[i])[k])
			}
			if best != kept {
				t.Fatalf("the best in objective %d is not shown: %v, want %v", k, kept, best)
			}
		}
	})
}

// TestThinned: points on a line at 0, 1, 2, 3, 10: the ends stay, then the one
// farthest from both, by hand.
func TestThinned(t *testing.T) {
	var front []trial
	for i, e := range []float64{0, 1, 2, 3, 6, 10} {
		front = append(front, trial{combination: i, energyJ: e, starts: int(10 - e)})
	}
	if got := ends(ones.thinned(front, 3)); !slices.Equal(got, []int{0, 4, 5}) {
		t.Errorf("of six points %v are kept, want the ends and the fifth", got)
	}
	if got := ends(ones.thinned(front, 4)); !slices.Equal(got, []int{0, 3, 4, 5}) {
		t.Errorf("of six points %v are kept, want the fourth too", got)
	}
}

// TestGrain: what differs by less than the grain is alike, and the fewest changes win.
func TestGrain(t *testing.T) {
	g := grain{energyJ: 10, pressurePa: 10}
	front := g.nonDominated([]trial{
		{combination: 0, energyJ: 1001, lowestPa: 502, changed: 2},
		{combination: 1, energyJ: 1004, lowestPa: 498, changed: 1},
		{combination: 2, energyJ: 1021, lowestPa: 500},
		{combination: 3, energyJ: 1001, lowestPa: 500, changed: 2, price: 5},
	})
	if len(front) != 1 || front[0].combination != 1 || front[0].alike != 1 {
		t.Errorf("the front is %+v, want combination 1 with one alike", front)
	}
}
