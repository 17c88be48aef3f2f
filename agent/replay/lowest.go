package replay

import (
	"fmt"
	"math"
	"slices"

	"loadscribe/agent/gum"
	"loadscribe/agent/quantity"
)

// jumpPa is by how much the lowest pressure may go with an input before it is
// looked at whether it jumped: one start that a guard or a timer holds back.
const jumpPa = 10_000

// lowest is the lowest pressure. The replay's lies off the measured one by what it
// does not have, dips inside a minute above all; half of that is put right, and
// the interval holds both. It does not hold jumps, which are no interval: how low
// it fell in a play whose input was moved by its uncertainty is said beside it.
func (e *evaluation) lowest(of *plays) Amount {
	if math.IsNaN(of.nominal[mLowestPa]) {
		return Amount{Note: "no shift lies in the window"}
	}
	v, worst, jumped, played := lowestOf(of)
	off := e.fitted.LowestOffPa
	v.V -= off / 2
	a := amount(v.Plus(gum.New(0, math.Abs(off)/2, missInput)))
	// No gauge here reads below the air outside.
	*a.Value = max(0, *a.Value)
	a.Note = "lowest pressure not resolvable below " + seconds(e.st.rec.ResolutionS)
	if e.st.watch != nil {
		a.Note += "; while somebody works, by the site's shifts, once the plant is filled"
	}
	if *a.Interval > *a.Value {
		a.Note += "; no more is told than that it lies below " + quantity.Format(*a.Value+*a.Interval, quantity.Pressure, e.st.site.Units)
	}
	if worst = max(0, worst-off/2); jumped > 0 && worst < *a.Value-*a.Interval {
		a.Note += fmt.Sprintf("; it may fall to %s: so it does in %d of %d plays in which an input or the demand is moved by its uncertainty",
			quantity.Format(worst, quantity.Pressure, e.st.site.Units), jumped, played)
	}
	return a
}

// lowestOf is the lowest pressure with what moves it steadily, the lowest of all
// plays, and in how many of them it jumped down.
func lowestOf(of *plays) (v gum.Value, worst float64, jumped, played int) {
	v0 := of.nominal[mLowestPa]
	worst = v0
	see := func(pa float64) float64 {
		played++
		if worst = min(worst, pa); pa < v0-jumpPa {
			jumped++
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
	return gum.Linear(v0, terms...), worst, jumped, played
}
