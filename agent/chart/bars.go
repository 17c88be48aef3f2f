package chart

import "math"

func drawBars(p pen, b *Bars, w float64) float64 {
	ys := nowhere()
	ys.take(0)
	drawn := false
	for i := range b.Bars {
		low, high := b.Bars[i].ends()
		ys.take(low, high)
		drawn = drawn || low < high || !math.IsNaN(b.Bars[i].sum())
		if b.Bars[i].spread() {
			ys.take(b.Bars[i].Low, b.Bars[i].High)
		}
	}
	if !drawn {
		return 0
	}
	for _, m := range b.Limits {
		ys.take(m.At)
	}
	y := 0.0
	if len(b.Parts) > 1 {
		var all []sample
		for i, name := range b.Parts {
			all = append(all, sample{name: name, paint: partPaint(b.Parts, i), height: 1, hatch: hidden(b.Parts, i)})
		}
		y = p.legend(0, 0, w, all) + 4
	}
	if b.Across {
		return b.drawRows(p, w, y, ys)
	}
	return b.drawColumns(p, w, y, ys)
}

// partPaint is a part's: that of a state where it has a state's name; off is all but
// white, with an edge.
func partPaint(parts []string, i int) paint {
	p := paint{fill: inkSeries1 + ink(i%series), stroke: inkPaper, width: 0.5}
	for _, s := range ofState {
		switch {
		case i >= len(parts) || s.state != parts[i]:
		case s.ink == inkNone:
			return paint{fill: inkOff, stroke: inkEdge, width: 0.5}
		default:
			p.fill = s.ink
		}
	}
	return p
}

// hidden reports the part of what was not observed.
func hidden(parts []string, i int) bool {
	return i < len(parts) && (parts[i] == "unobserved" || parts[i] == "not observed")
}

// piece draws a part of a bar.
func (b *Bars) piece(p pen, part int, x, y, w, h float64) {
	if hidden(b.Parts, part) {
		p.hatch(x, y, w, h)
		p.rect(paint{stroke: inkHatch, width: 0.5}, x, y, w, h)
		return
	}
	p.rect(partPaint(b.Parts, part), x, y, w, h)
}

// sum is that of a bar's parts; NaN where none is known.
func (b *Bar) sum() float64 {
	sum, any := 0.0, false
	for _, v := range b.Values {
		if known(v) {
			sum, any = sum+v, true
		}
	}
	if !any {
		return math.NaN()
	}
	return sum
}

// ends are how far a bar goes to either side of nought.
func (b *Bar) ends() (low, high float64) {
	for _, v := range b.Values {
		if known(v) {
			low, high = low+min(v, 0), high+max(v, 0)
		}
	}
	return low, high
}

// spread reports an interval.
func (b *Bar) spread() bool { return known(b.Low) && known(b.High) && (b.Low != 0 || b.High != 0) }

// stack gives each part of a bar the ends of its piece.
func (b *Bar) stack(each func(part int, from, to float64)) {
	up, down := 0.0, 0.0
	for i, v := range b.Values {
		switch {
		case !known(v) || v == 0:
		case v > 0:
			each(i, up, up+v)
			up += v
		default:
			each(i, down, down+v)
			down += v
		}
	}
}

// spread draws an interval so that it is seen on a bar and beside it; the first stroke
// is its length.
func (p pen) spread(strokes ...shape) {
	from, to := strokes[0].points[0], strokes[0].points[1]
	if math.Hypot(to.x-from.x, to.y-from.y) > 8 { // a shorter one's edge would hide a small bar
		p.draw(paint{stroke: inkPaper, width: 2.4}, strokes...)
	}
	p.draw(paint{stroke: inkText, width: 1}, strokes...)
}

// drawRows draws bars as rows: names at the left, what they come to at the right.
func (b *Bars) drawRows(p pen, w, y float64, ys reach) float64 {
	names, marks := 0.0, 0.0
	for i := range b.Bars {
		names = max(names, width(clean(b.Bars[i].Name), nameLeft))
		marks = max(marks, width(clean(b.Bars[i].Label), nameLeft))
	}
	var s scale
	s.a = min(names, 0.34*w) + 8
	marks = min(marks, 0.34*w)
	s.b = max(w-marks-10, s.a+30)
	var ticks []Tick
	s.lo, s.hi, ticks = b.Value.fit(ys, int((s.b-s.a)/45))
	top := y + b.headRoom()
	const apart = 5.0
	at := top + 3
	rows := make([]float64, len(b.Bars))
	heights := make([]float64, len(b.Bars))
	lines := make([][]string, len(b.Bars))
	for i := range b.Bars {
		lines[i] = wrap(b.Bars[i].Name, s.a-8, 2, nameLeft)
		heights[i] = max(14, float64(len(lines[i]))*lineStep)
		rows[i] = at
		at += heights[i] + apart
	}
	for _, t := range ticks {
		x := s.place(t.At)
		p.line(paint{stroke: inkHair, width: 0.5}, x, top, x, at)
	}
	b.limitLines(p, w, s, top, at)
	for i := range b.Bars {
		bar, mid := &b.Bars[i], rows[i]+heights[i]/2
		for j, line := range lines[i] {
			p.text(s.a-6, mid+2.8-float64(len(lines[i])-1)*lineStep/2+float64(j)*lineStep, line, nameRight)
		}
		end := s.place(0)
		bar.stack(func(part int, from, to float64) {
			a, z := s.place(from), s.place(to)
			b.piece(p, part, min(a, z), mid-5.5, math.Abs(z-a), 11)
			end = max(end, a, z)
		})
		if bar.spread() {
			lo, hi := s.place(bar.Low), s.place(bar.High)
			p.spread(seg(lo, mid, hi, mid), seg(lo, mid-3, lo, mid+3), seg(hi, mid-3, hi, mid+3))
			end = max(end, hi)
		}
		p.words(end+4, mid+2.8, w-end-4, bar.mark(), nameLeft)
	}
	p.line(paint{stroke: inkEdge, width: 0.7}, s.place(0), top, s.place(0), at)
	p.tickRow(s, ticks, at, 0, w)
	if t := b.Value.title(); t != "" {
		p.words((s.a+s.b)/2, at+22, s.b-s.a, t, nameMiddle)
		return at + 27
	}
	return at + 14
}

// mark is what stands at a bar's end.
func (b *Bar) mark() string {
	if b.Label == "" && !known(b.sum()) {
		return "not known"
	}
	return b.Label
}

func seg(x1, y1, x2, y2 float64) shape { return shape{points: []point{{x1, y1}, {x2, y2}}} }

// headRoom is what the names of limits need above the bars.
func (b *Bars) headRoom() float64 {
	for _, m := range b.Limits {
		if m.Name != "" {
			return 12
		}
	}
	return 0
}

// limitLines draws the limits of rows, with their names above.
func (b *Bars) limitLines(p pen, w float64, s scale, top, bottom float64) {
	end := math.Inf(-1)
	for _, m := range b.Limits {
		x := s.within(m.At)
		p.line(limitStroke, x, top, x, bottom)
		name := cut(m.Name, w*0.6, tickLeft)
		half := width(name, tickLeft) / 2
		if mid := min(max(x, half), w-half); mid-half > end+3 && name != "" {
			p.text(mid, top-3, name, letters{sizeTick, false, inkLimit, middle})
			end = mid + half
		}
	}
}
