package replay

import (
	"cmp"
	"math"
	"slices"
)

// frontMost is how many points of a front are evaluated with their intervals and shown.
const frontMost = 12

// trial is what one combination came to: what a front needs to know of it.
type trial struct {
	combination            int // of the grid; -1: as it is
	changed                int // settings that differ from the present
	failed                 bool
	starts                 int
	startsHour             int
	energyJ, lowestPa      float64
	cyclesHour             float64
	belowS, shortM3, price float64
	alike                  int // other allowed combinations that come to the same
}

// grain is what a front does not tell apart: a model of minutes knows no energy to a
// thousandth and no pressure to 1 kPa, and a front that did would be mostly noise.
type grain struct{ energyJ, pressurePa float64 }

// energyGrain is grain.energyJ as a share of the energy as it is.
const energyGrain, pressureGrainPa = 1e-3, 1e3

// objectives are what a front weighs, each the less the better.
func (g grain) objectives(t *trial) [4]float64 {
	return [4]float64{math.Round(t.energyJ / g.energyJ), float64(t.starts), -math.Round(t.lowestPa / g.pressurePa), t.price}
}

// nonDominated keeps the trials that no other one beats: one beats another if it is
// no worse in energy, starts, lowest pressure and price and better in one. Of those
// that are equal in all four the one with the fewest changes, then the first, stands
// for all. The order is by energy, then starts, then pressure.
func (g grain) nonDominated(trials []trial) (front []trial) {
	trials = slices.Clone(trials)
	slices.SortFunc(trials, func(a, b trial) int {
		x, y := g.objectives(&a), g.objectives(&b)
		return cmp.Or(slices.Compare(x[:], y[:]), cmp.Compare(a.changed, b.changed), cmp.Compare(a.combination, b.combination))
	})
	for i := range trials {
		t := &trials[i]
		o := g.objectives(t)
		// What comes before takes no more energy: it beats t unless it is worse in
		// something else.
		beaten := false
		for i := range front {
			f := g.objectives(&front[i])
			if f == o {
				front[i].alike++
				beaten = true
				break
			}
			if f[1] <= o[1] && f[2] <= o[2] && f[3] <= o[3] {
				beaten = true
				break
			}
		}
		if !beaten {
			front = append(front, *t)
		}
	}
	return front
}

// thinned keeps at most most points of a front: the best in each objective, then
// again and again the one that lies farthest from all that are kept, with each
// objective's range over the front as its unit. Equal ones: the earlier. The front's
// order stays.
func (g grain) thinned(front []trial, most int) []trial {
	if len(front) <= most {
		return front
	}
	kept := make([]bool, len(front))
	count := 0
	keep := func(i int) {
		if !kept[i] && count < most {
			kept[i] = true
			count++
		}
	}
	best, span := g.ranges(front)
	for k := range span {
		if span[k] > 0 {
			keep(best[k])
		}
	}
	distance := func(a, b *trial) (sum float64) {
		x, y := g.objectives(a), g.objectives(b)
		for k := range x {
			if span[k] > 0 {
				d := (x[k] - y[k]) / span[k]
				sum += d * d
			}
		}
		return sum
	}
	for count < most {
		farthest, far := -1, -1.0
		for i := range front {
			if kept[i] {
				continue
			}
			near := math.Inf(1)
			for j := range front {
				if kept[j] {
					near = min(near, distance(&front[i], &front[j]))
				}
			}
			if near > far {
				farthest, far = i, near
			}
		}
		keep(farthest)
	}
	out := make([]trial, 0, most)
	for i := range front {
		if kept[i] {
			out = append(out, front[i])
		}
	}
	return out
}

// ranges are the best point of a front in each objective and that objective's range
// over the front.
func (g grain) ranges(front []trial) (best [4]int, span [4]float64) {
	for k := range span {
		worst := 0
		for i := range front {
			o := g.objectives(&front[i])
			if o[k] < g.objectives(&front[best[k]])[k] {
				best[k] = i
			}
			if o[k] > g.objectives(&front[worst])[k] {
				worst = i
			}
		}
		span[k] = g.objectives(&front[worst])[k] - g.objectives(&front[best[k]])[k]
	}
	return best, span
}
