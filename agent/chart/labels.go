package chart

import "sort"

// label is a name beside a place of the picture.
type label struct {
	value  float64  // what it belongs to
	y      float64  // the place of that
	lines  []string // as wrapped
	top    float64  // where it has come to stand
	sample paint    // how what it names is drawn
	swatch bool     // a box, not a stroke
}

// labelOver is how far labels may stand over the ends of the scale, so that one of a
// value at the end stands beside it.
const labelOver = 5.0

func (l *label) height() float64 { return float64(len(l.lines))*lineStep + 1.5 }

// pushApart sets labels as near to their places as they can stand without covering one
// another, between from and to; they keep their order. What does not fit is left out
// from the end.
func pushApart(all []label, from, to float64) []label {
	sort.SliceStable(all, func(i, j int) bool { return all[i].y < all[j].y })
	room := 0.0
	for i := range all {
		if room += all[i].height(); room > to-from+1e-6 {
			all = all[:i]
			break
		}
	}
	y := from
	for i := range all { // down: none above its place, none over the one before
		all[i].top = max(y, all[i].y-all[i].height()/2)
		y = all[i].top + all[i].height()
	}
	y = to
	for i := len(all) - 1; i >= 0; i-- { // and up, where they ran over the end
		all[i].top = min(all[i].top, y-all[i].height())
		y = all[i].top
	}
	return all
}

// beside draws labels to the right of x, each with a sample of what it names and a
// thin line to its place where it had to move.
func (p pen) beside(all []label, x float64) {
	const lead, sample = 7, 14
	for i := range all {
		l := &all[i]
		mid := l.top + l.height()/2
		p.line(paint{stroke: inkEdge, width: 0.4}, x+1, l.y, x+lead, mid)
		if l.swatch {
			p.rect(l.sample, x+lead+1, mid-3.5, sample-2, 7)
		} else {
			p.line(l.sample, x+lead+1, mid, x+lead+sample, mid)
		}
		for j, line := range l.lines {
			p.text(x+lead+sample+3, l.top+float64(j)*lineStep+8, line, nameLeft)
		}
	}
}

// besideWidth is what beside needs to the right of x for the text itself to have room.
const besideWidth = 7 + 14 + 3

// sample is how something is drawn, beside its name.
type sample struct {
	name   string
	paint  paint
	height float64 // of the sample, as a share
	hatch  bool    // drawn hatched
	line   bool    // a stroke, not a box
}

const (
	sampleWide = 14.0
	sampleHigh = 8.0
)

// wide is what a sample and its name take, where the name has no more than room.
func (s *sample) wide(room float64) float64 {
	return sampleWide + 4 + width(cut(s.name, room, tickLeft), tickLeft)
}

// draw draws a sample with its upper left corner at (x, y), its name with room.
func (s *sample) draw(p pen, x, y, room float64) {
	base := y + sampleHigh
	switch h := sampleHigh * s.height; {
	case s.line:
		p.line(s.paint, x, y+sampleHigh/2, x+sampleWide, y+sampleHigh/2)
	case s.hatch:
		p.hatch(x, y, sampleWide, sampleHigh)
		p.rect(paint{stroke: inkHatch, width: 0.5}, x, y, sampleWide, sampleHigh)
	case h > 0:
		p.rect(s.paint, x, base-h, sampleWide, h)
		p.line(paint{stroke: inkEdge, width: 0.6}, x, base, x+sampleWide, base)
	default:
		p.line(paint{stroke: inkEdge, width: 0.6}, x, base, x+sampleWide, base)
	}
	p.words(x+sampleWide+4, y+7.5, room, s.name, tickLeft)
}

// legend writes samples with names in rows from (x, y), and returns where the next
// thing may stand.
func (p pen) legend(x, y, to float64, all []sample) float64 {
	at, room := x, to-x-sampleWide-4
	for i := range all {
		w := all[i].wide(room)
		if at > x && at+w > to {
			at, y = x, y+12
		}
		all[i].draw(p, at, y, room)
		at += w + 12
	}
	return y + 12
}

// heading writes a title at the left of the first row, and samples at its right.
func (p pen) heading(w float64, title string, all []sample) {
	x := w
	for i := len(all) - 1; i >= 0; i-- {
		room := 0.6*w/float64(len(all)) - sampleWide - 12
		x -= all[i].wide(room)
		all[i].draw(p, x, 0.5, room)
		x -= 10
	}
	p.words(0, 8, x, title, nameLeft)
}
