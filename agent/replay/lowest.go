package replay

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"loadscribe/agent/gum"
	"loadscribe/agent/quantity"
	"loadscribe/agent/replay/engine"
)

// jumpPa is by how much the lowest pressure may go with an input before it is
// looked at whether it jumped: one start that a guard or a timer holds back.
const jumpPa = 10_000

// lowest is the lowest pressure. The replay's lies off the measured one by what it
// does not have, dips inside a minute above all; half of that is put right, and
// the interval holds both. It does not hold jumps, which are no interval: how low
// it fell in a play whose input was moved by its uncertainty is said beside it. So
// is where all plays lie, if the interval goes below the air outside or above the
// highest pressure there was.
func (e *evaluation) lowest(of *plays) Amount {
	if math.IsNaN(of.nominal[mLowestPa]) {
		return Amount{Note: "no shift lies in the window"}
	}
	l := lowestOf(of)
	off := e.fitted.LowestOffPa
	l.v.V -= off / 2
	a := amount(l.v.Plus(gum.New(0, math.Abs(off)/2, missInput)))
	// No gauge here reads below the air outside.
	*a.Value = max(0, *a.Value)
	a.Note = "lowest pressure not resolvable below " + seconds(e.st.rec.ResolutionS)
	if e.st.watch != nil {
		a.Note += "; while somebody works, by the site's shifts, once the plant is filled"
	}
	// With what it lies off put right, and without.
	from, to := max(0, min(l.worst, l.worst-off)), max(0, l.best, l.best-off)
	pressure := func(pa float64) string { return quantity.Format(pa, quantity.Pressure, e.st.site.Units) }
	switch {
	case *a.Interval > *a.Value || *a.Value+*a.Interval > highest(of.result):
		a.Note += fmt.Sprintf("; it lies between %s and %s, the lowest and the highest of %d plays in which an input or the demand is moved by its uncertainty",
			pressure(from), pressure(to), l.played)
	case l.jumped > 0 && max(0, l.worst-off/2) < *a.Value-*a.Interval:
		a.Note += fmt.Sprintf("; it may fall to %s: so it does in %d of %d plays in which an input or the demand is moved by its uncertainty",
			pressure(max(0, l.worst-off/2)), l.jumped, l.played)
	}
	return a
}

// highest is the highest pressure of a traced play; infinite where none was traced.
func highest(r *engine.Result) float64 {
	if r == nil || len(r.Trace) == 0 {
		return math.Inf(1)
	}
	return slices.MaxFunc(r.Trace, func(a, b engine.TracePoint) int { return cmp.Compare(a.Pa, b.Pa) }).Pa
}

// lowestSeen is the lowest pressure with what moves it steadily; the lowest and the
// highest one of all plays, how many there were, and in how many it jumped down.
type lowestSeen struct {
	v              gum.Value
	worst, best    float64
	jumped, played int
}

func lowestOf(of *plays) (l lowestSeen) {
	v0 := of.nominal[mLowestPa]
	l.worst, l.best = v0, v0
	see := func(pa float64) float64 {
		l.played++
		l.best = max(l.best, pa)
		if l.worst = min(l.worst, pa); pa < v0-jumpPa {
			l.jumped++
		}
		return pa - v0
	}
	var terms []gum.Term
	for _, name := range unionOf(of, of) {
		up, down := see(of.moved(name, 1)[mLowestPa]), see(of.moved(name, -1)[mLowestPa])
		steady := (up - down) / 2
		if far, close := max(math.Abs(up), math.Abs(down)), min(math.Abs(up), math.Abs(down)); far > 4*close+jumpPa {
			steady = math.Copysign(close, steady)
		}
		terms = append(terms, gum.Term{C: steady, X: gum.New(0, 1, name)})
	}
	var off []float64
	for i := range of.noisy {
		if of.noisy[i] != (measures{}) {
			off = append(off, math.Abs(see(of.noisy[i][mLowestPa])))
		}
	}
	if slices.Sort(off); len(off) > 0 {
		// 1.48 medians make a standard deviation of what is spread normally.
		terms = append(terms, gum.Term{C: 1.48 * off[len(off)/2], X: gum.New(0, 1, chanceInput)})
	}
	l.v = gum.Linear(v0, terms...)
	return l
}
