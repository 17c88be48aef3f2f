package chart

import (
	"math"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"
)

// scale takes values to places.
type scale struct {
	lo, hi float64 // values
	a, b   float64 // their places
}

func (s scale) place(v float64) float64 { return s.a + (v-s.lo)/(s.hi-s.lo)*(s.b-s.a) }

// within is the place of a value, at the scale's end where it lies beyond.
func (s scale) within(v float64) float64 { return s.place(min(max(v, s.lo), s.hi)) }

// fit chooses the ends of an axis and its ticks, at most so many: the ends asked for,
// where there are, and never less than the data. Ends that were not asked for are
// moved out to a tick.
func (a Axis) fit(data reach, most int) (lo, hi float64, ticks []Tick) {
	asked := known(a.Min) && known(a.Max) && a.Min < a.Max
	if asked {
		data.take(a.Min, a.Max)
	}
	if a.Zero {
		if data.take(0); data.lo > -0.05*data.hi { // less than nothing by its uncertainty is nothing
			data.lo = 0
		}
	}
	if data.empty() {
		data = reach{0, 1}
	}
	lo, hi = data.lo, data.hi
	if lo == hi {
		room := max(math.Abs(lo)*0.05, 1e-9)
		if lo == 0 {
			room = 1
		}
		lo, hi = lo-room, hi+room
		if a.Zero {
			lo, hi = min(data.lo, 0), max(data.hi, 0)
			if lo == hi {
				hi = 1
			}
		}
	}
	step := niceStep((hi-lo)/float64(max(most-1, 1)), a.Unit)
	const rounding = 0.005 // of a step, by which a sum may be over a tick that it should meet
	if !asked || lo < a.Min {
		lo = math.Floor(lo/step+rounding) * step
	}
	if !asked || hi > a.Max {
		hi = math.Ceil(hi/step-rounding) * step
	}
	if a.Ticks != nil {
		return lo, hi, a.Ticks
	}
	for i := math.Ceil(lo/step - 1e-9); i*step <= hi+step*1e-9; i++ {
		ticks = append(ticks, Tick{i * step, tickText(i*step, step, a.group)})
	}
	return lo, hi, ticks
}

// clockSteps are those of hours of a day.
var clockSteps = []float64{0.25, 0.5, 1, 2, 3, 4, 6, 12, 24, 48, 72, 168}

// niceStep is the smallest step of 1, 2 or 5 times a power of ten that is not less.
func niceStep(least float64, unit string) float64 {
	if unit == "h" && least > 0.2 && least <= 168 {
		for _, s := range clockSteps {
			if s >= least*0.999 {
				return s
			}
		}
	}
	power := math.Pow(10, math.Floor(math.Log10(least)))
	for _, m := range []float64{1, 2, 5, 10} {
		if m*power >= least*0.999 {
			return m * power
		}
	}
	return 10 * power
}

// tickText writes a tick with as many decimals as its step has.
func tickText(v, step float64, group string) string {
	decimals := 0
	for s := step; decimals < 6 && math.Abs(s-math.Round(s)) > 1e-6*step; s *= 10 {
		decimals++
	}
	if math.Abs(v) < step/1e6 {
		v = 0
	}
	return grouped(strconv.FormatFloat(v, 'f', decimals, 64), group)
}

// grouped puts a sign between thousands of a number of five whole digits or more.
func grouped(number, sign string) string {
	whole, rest, _ := strings.Cut(number, ".")
	digits := strings.TrimPrefix(whole, "-")
	if len(digits) < 5 || sign == "" {
		return number
	}
	out := number[:len(whole)-len(digits)]
	for i, d := range digits {
		if i > 0 && (len(digits)-i)%3 == 0 {
			out += sign
		}
		out += string(d)
	}
	if rest != "" {
		out += "." + rest
	}
	return out
}

// title is what an axis is called: "Power, kW".
func (a Axis) title() string {
	label := a.Label
	first, _, _ := strings.Cut(label, " ")
	if !strings.ContainsFunc(first, func(r rune) bool { return !unicode.IsLower(r) }) && first != "" { // a word, not a name
		r, size := utf8.DecodeRuneInString(label)
		label = string(unicode.ToUpper(r)) + label[size:]
	}
	switch {
	case a.Unit == "" || a.Unit == "1":
		return label
	case label == "":
		return a.Unit
	}
	return label + ", " + a.Unit
}

// widest is the width of the widest of ticks.
func widest(ticks []Tick, l letters) (w float64) {
	for _, t := range ticks {
		w = max(w, width(clean(t.Name), l))
	}
	return w
}

var (
	tickRight  = letters{sizeTick, false, inkMuted, right}
	tickMiddle = letters{sizeTick, false, inkMuted, middle}
	tickLeft   = letters{sizeTick, false, inkMuted, left}
	nameLeft   = letters{sizeName, false, inkText, left}
	nameRight  = letters{sizeName, false, inkText, right}
	nameMiddle = letters{sizeName, false, inkText, middle}
	boldLeft   = letters{sizeName, true, inkText, left}
)

// tickRow writes the ticks of x below y: all, or each second, third, … so that none
// covers another or reaches out of (from, to).
func (p pen) tickRow(s scale, ticks []Tick, y, from, to float64) {
	for _, t := range s.spaced(ticks, from, to) {
		x := s.place(t.At)
		p.line(paint{stroke: inkEdge, width: 0.6}, x, y, x, y+2.5)
		p.text(t.x, y+10.5, t.Name, tickMiddle)
	}
}

// spacedTick is a tick whose name stands at x.
type spacedTick struct {
	Tick
	x float64
}

// spaced are the ticks within the scale, thinned until their names have room.
func (s scale) spaced(ticks []Tick, from, to float64) []spacedTick {
	var all []spacedTick
	for _, t := range ticks {
		t.Name = cut(t.Name, to-from, tickMiddle)
		if t.At >= s.lo-1e-9 && t.At <= s.hi+1e-9 && t.Name != "" {
			half := width(t.Name, tickMiddle) / 2
			all = append(all, spacedTick{t, min(max(s.place(t.At), from+half), to-half)})
		}
	}
	for k := 1; k <= len(all); k++ {
		if some := every(all, k); apart(some) {
			return some
		}
	}
	return nil
}

func every(all []spacedTick, k int) (some []spacedTick) {
	for i := 0; i < len(all); i += k {
		some = append(some, all[i])
	}
	return some
}

// apart reports names of which none comes near another.
func apart(all []spacedTick) bool {
	for i := 1; i < len(all); i++ {
		if all[i].x-all[i-1].x < (width(all[i].Name, tickMiddle)+width(all[i-1].Name, tickMiddle))/2+4 {
			return false
		}
	}
	return true
}
