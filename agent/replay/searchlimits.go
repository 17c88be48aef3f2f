package replay

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"loadscribe/agent/quantity"
)

// limitKeys are the limits in the order in which they are told.
var limitKeys = [...]string{"lowest_pressure", "starts_per_hour", "cycles_per_hour", "below_minimum", "short", "budget"}

// broken says which limits a trial breaks, by limitKeys.
func (l *searchLimits) broken(t *trial) [len(limitKeys)]bool {
	return [...]bool{t.lowestPa < l.lowestPa, float64(t.startsHour) > l.startsHour, t.cyclesHour > l.cyclesHour,
		t.belowS > l.belowS, t.shortM3 > l.shortM3, t.price > l.budget}
}

// belowSlack is the time below the minimum that a combination may have where no limit
// is given: what there is now, and what chance does to that.
func belowSlack(nowS float64) float64 { return 1.02*nowS + 60 }

// remarks says which limits stand that nobody asked for, and which are missing.
func (l *searchLimits) remarks(trials []trial) []string {
	remarks := []string{}
	below := slices.ContainsFunc(trials, func(t trial) bool { return t.belowS > 0 })
	if !l.belowGiven && below {
		remarks = append(remarks, fmt.Sprintf("limits.below_minimum is not given: no combination may be below the minimum for longer than %.0f s: what the settings as they are have, and a little for chance", l.belowS))
	}
	if math.IsInf(l.lowestPa, -1) && !below {
		remarks = append(remarks, "limits.lowest_pressure is not given: less pressure always saves; what the users need is not weighed")
	}
	return remarks
}

// sift counts what failed and what broke a limit, and returns the rest.
func (f *Front) sift(trials []trial, limits searchLimits) (allowed []trial) {
	var broke [len(limitKeys)]int
	for i := range trials {
		t := &trials[i]
		if t.failed {
			if t.combination >= 0 {
				f.Impossible++
			}
			continue
		}
		breaks := limits.broken(t)
		if breaks == ([len(limitKeys)]bool{}) {
			allowed = append(allowed, *t)
			if t.combination >= 0 {
				f.Allowed++
			}
			continue
		}
		if t.combination < 0 {
			f.Remarks = append(f.Remarks, "the settings as they are break a limit themselves")
			continue
		}
		for k, b := range breaks {
			if b {
				broke[k]++
			}
		}
	}
	f.Broke = []Broken{}
	for k, n := range broke {
		if n > 0 {
			f.Broke = append(f.Broke, Broken{limitKeys[k], n})
		}
	}
	return allowed
}

// explain gives the first contradiction as an example.
func (f *Front) explain(on playground, g *grid, trials []trial) error {
	if f.Impossible == 0 {
		return nil
	}
	first := slices.IndexFunc(trials, func(t trial) bool { return t.failed && t.combination >= 0 })
	set, _ := g.at(trials[first].combination)
	_, err := play(context.Background(), on, set)
	if err == nil {
		return errors.New("a combination failed and then did not")
	}
	f.Example = err.Error()
	return nil
}

// noneAllowed says how near the limits can be come.
func (f *Front) noneAllowed(trials []trial, units quantity.System) string {
	if f.Impossible == f.Tried {
		return "no combination is possible: " + f.Example
	}
	var told []string
	for _, b := range f.Broke {
		told = append(told, fmt.Sprintf("%d break %s", b.Count, b.Limit))
	}
	highest, starts, cycles := math.Inf(-1), math.MaxInt, math.Inf(1)
	for _, t := range trials {
		if !t.failed {
			highest, starts, cycles = max(highest, t.lowestPa), min(starts, t.startsHour), min(cycles, t.cyclesHour)
		}
	}
	lowest := ""
	if !math.IsInf(highest, 0) {
		lowest = "a lowest pressure of " + quantity.Format(highest, quantity.Pressure, units) + ", "
	}
	return fmt.Sprintf("no combination keeps every limit: of %d, %s. Singly, the best are %s%d starts and %.3g load cycles an hour",
		f.Tried, strings.Join(told, ", "), lowest, starts, cycles)
}

// nearLimit remarks where an interval reaches over a limit that its value keeps.
func (l *searchLimits) nearLimit(r *Result) {
	for _, c := range []struct {
		what string
		a    Amount
		over func(v float64) bool
		sign float64
	}{
		{"the lowest pressure", r.Outcome.LowestPa, func(v float64) bool { return v < l.lowestPa }, -1},
		{"starts an hour", r.Outcome.StartsHourMax, func(v float64) bool { return v > l.startsHour }, 1},
		{"load cycles an hour", r.Outcome.LoadsHour, func(v float64) bool { return v > l.cyclesHour }, 1},
		{"the time below the minimum", r.Outcome.BelowS, func(v float64) bool { return v > l.belowS }, 1},
	} {
		if c.a.Value != nil && c.a.Interval != nil && c.over(*c.a.Value+c.sign**c.a.Interval) {
			r.Remarks = append(r.Remarks, c.what+" keeps the limit by its value, but its interval reaches over it")
		}
	}
}
