package chart

import (
	"math"
	"strconv"
)

// slot is a place of the plant as drawn.
type slot struct {
	PlantPart
	machine bool
	x, wide float64 // its left edge
	y       float64 // the height of its pressure, or of the last read before it
}

func (s *slot) read() bool { return known(s.Pressure) && s.Pressure != 0 }

const plantGap = 12.0 // between machines, and before the parts

// drawPlant draws a place for each machine and part, left to right as the air goes, at
// the height of its pressure; what stands there, and what reads it, is written below.
func drawPlant(p pen, pl *Plant, w float64) float64 {
	slots, f := pl.frame(w)
	if len(slots) == 0 {
		return 0
	}
	notes, unread := []sample{}, false
	for i := range slots {
		unread = unread || !slots[i].read()
	}
	level := len(f.yTicks) > 0
	if level && pl.Minimum > 0 {
		notes = append(notes, sample{name: "least that users need: " + strconv.FormatFloat(pl.Minimum, 'g', 4, 64) + " " + pl.Unit, paint: limitStroke, line: true})
	}
	if level && unread {
		notes = append(notes, sample{name: "not read there", paint: unreadStroke, line: true})
	}
	title := "No pressure is read along the air's way"
	if level {
		title = Axis{Label: "Pressure", Unit: pl.Unit}.title()
		for _, t := range f.yTicks {
			y := f.y.place(t.At)
			p.line(paint{stroke: inkHair, width: 0.5}, f.x.a, y, f.x.b, y)
			p.words(f.x.a-4, y+2.7, f.x.a-4, t.Name, tickRight)
		}
	}
	p.heading(w, title, notes)
	drawAir(p, slots, f, level)
	if level && pl.Minimum > 0 {
		p.line(limitStroke, f.x.a, f.y.place(pl.Minimum), f.x.b, f.y.place(pl.Minimum))
	}
	for i := range slots {
		s := &slots[i]
		if r := min(9, s.wide/2-3); r > 3 {
			p.symbol(s.Kind, s.machine, s.x+s.wide/2, f.y.a-13, r)
		}
		if level && s.read() {
			mid := s.x + s.wide/2
			p.words(mid, s.y-4, min(s.wide+plantGap/2, 2*(w-mid)), pl.short(s.Pressure), letters{sizeName, true, inkText, middle})
		}
	}
	if slots[0].wide < 46 {
		return drawList(p, slots, f)
	}
	return drawNames(p, slots, f)
}

// frame lays out the places and the scale of pressure, which has no ticks where nothing
// is read.
func (pl *Plant) frame(w float64) ([]slot, *frame) {
	var slots []slot
	for _, m := range pl.Machines {
		slots = append(slots, slot{PlantPart: m, machine: true})
	}
	for _, m := range pl.Parts {
		slots = append(slots, slot{PlantPart: m})
	}
	r, f := nowhere(), &frame{width: w, head: 16}
	for i := range slots {
		if slots[i].read() {
			r.take(slots[i].Pressure)
		}
	}
	f.y.b, f.x.b = f.head, w-1
	f.y.a = f.y.b + 28
	if !r.empty() {
		if pl.Minimum > 0 {
			r.take(pl.Minimum)
		}
		// Room for the numbers above, and below the lowest level for what stands there.
		room := max(r.hi-r.lo, 0.02*r.hi)
		f.y.lo, f.y.hi, f.yTicks = Axis{Min: r.lo - 0.5*room, Max: r.hi + 0.22*room}.fit(r, 5)
		f.y.a = f.y.b + 120
		f.x.a = widest(f.yTicks, tickRight) + 6
	}
	place(slots, f, !r.empty())
	return slots, f
}

// place gives the places their width and the height of their pressure; one that is not
// read stands as high as the last before it that is, or as the machines in the middle.
func place(slots []slot, f *frame, level bool) {
	machines, sum, n := 0.0, 0.0, 0.0
	for i := range slots {
		if slots[i].machine {
			machines++
			if slots[i].read() {
				sum, n = sum+slots[i].Pressure, n+1
			}
		}
	}
	wide := (f.x.b - f.x.a - plantGap*machines) / float64(max(len(slots), 1))
	x, y := f.x.a, math.NaN()
	for i := range slots {
		s := &slots[i]
		s.x, s.wide = x, wide
		x += wide
		if s.machine {
			x += plantGap
		}
		switch {
		case s.read() && level:
			s.y = f.y.place(s.Pressure)
		case !s.machine && known(y):
			s.y = y
		case n > 0:
			s.y = f.y.place(sum / n)
		default:
			s.y = (f.y.a + f.y.b) / 2
		}
		if !s.machine { // machines feed side by side: none is before another
			y = s.y
		}
	}
}

// short writes a pressure as gauges show it, all of a picture to the same place.
func (pl *Plant) short(v float64) string {
	most := math.Abs(pl.Minimum)
	for _, all := range [][]PlantPart{pl.Machines, pl.Parts} {
		for _, s := range all {
			if known(s.Pressure) {
				most = max(most, math.Abs(s.Pressure))
			}
		}
	}
	decimals := 1
	switch {
	case most < 20:
		decimals = 2
	case most >= 1000:
		decimals = 0
	}
	return strconv.FormatFloat(v, 'f', decimals, 64)
}

var (
	airStroke    = paint{stroke: inkSeries1, width: 2}
	unreadStroke = paint{stroke: inkEdge, width: 1, dash: dashLimit}
)

// drawAir draws the air at its pressure: a level over each place, broken where nothing
// reads it, a step down between two, and an arrow from the machines into the first part.
func drawAir(p pen, slots []slot, f *frame, level bool) {
	for i := range slots {
		s := &slots[i]
		if !level {
			p.line(paint{stroke: inkEdge, width: 0.5}, s.x+s.wide, f.y.a-18, s.x+s.wide, f.y.a)
			continue
		}
		if s.read() {
			p.rect(paint{fill: inkSeries1, wash: true}, s.x, s.y, s.wide, f.y.a-s.y)
			p.line(airStroke, s.x, s.y, s.x+s.wide, s.y)
		} else {
			p.line(unreadStroke, s.x, s.y, s.x+s.wide, s.y)
		}
		p.line(paint{stroke: inkPaper, width: 0.8}, s.x+s.wide, s.y+1, s.x+s.wide, f.y.a)
		if i > 0 && !slots[i-1].machine && slots[i-1].y != s.y {
			riser := airStroke
			if !s.read() || !slots[i-1].read() { // the drop is somewhere before
				riser = unreadStroke
			}
			p.line(riser, s.x, slots[i-1].y, s.x, s.y)
		}
		if x, y := s.x+s.wide+plantGap/2, f.y.a-13; s.machine && i+1 < len(slots) {
			if slots[i+1].machine { // beside one another: what they give adds up
				p.draw(paint{stroke: inkEdge, width: 1}, seg(x-3.5, y, x+3.5, y), seg(x, y-3.5, x, y+3.5))
			} else {
				p.draw(paint{fill: inkEdge}, shape{[]point{{x - 3, y - 4}, {x + 4, y}, {x - 3, y + 4}}, true})
			}
		}
	}
	p.line(paint{stroke: inkEdge, width: 0.7}, f.x.a, f.y.a, f.x.b, f.y.a)
}

// drawNames writes what stands in each place below it.
func drawNames(p pen, slots []slot, f *frame) float64 {
	most := f.y.a
	for i := range slots {
		s := &slots[i]
		x, y := s.x+s.wide/2, f.y.a+10
		put := func(text string, lines int, l letters) {
			for _, line := range wrap(text, s.wide-4, lines, l) {
				p.text(x, y, line, l)
				y += 9.2
			}
		}
		put(s.Name, 2, letters{sizeName, true, inkText, middle})
		if s.Kind != s.Name {
			put(s.Kind, 2, tickMiddle)
		}
		put(s.Note, 2, tickMiddle)
		if s.Tap != "" {
			put("read by "+s.Tap, 4, tickMiddle)
		}
		most = max(most, y)
	}
	return most
}

// drawList writes the number of each place below it and the names in a list.
func drawList(p pen, slots []slot, f *frame) float64 {
	end := -1.0
	for i := range slots {
		number := strconv.Itoa(i + 1)
		x := slots[i].x + slots[i].wide/2
		if half := width(number, boldLeft) / 2; x-half > end {
			p.text(x, f.y.a+10, number, letters{sizeName, true, inkText, middle})
			end = x + half + 2
		}
	}
	y := f.y.a + 24
	half := (f.width - 10) / 2
	rows := (len(slots) + 1) / 2
	for i := range slots {
		s := &slots[i]
		text := strconv.Itoa(i+1) + "  " + s.Name
		for _, more := range []string{s.Kind, s.Note} {
			if more != "" && more != s.Name {
				text += ", " + more
			}
		}
		if s.Tap != "" {
			text += ", read by " + s.Tap
		}
		p.words(float64(i/rows)*(half+10), y+float64(i%rows)*10, half, text, tickLeft)
	}
	return y + float64(rows)*10
}
