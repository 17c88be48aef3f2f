package chart

import (
	"cmp"
	"math"
	"slices"
)

// seriesWidth are the weights that help to tell series apart.
var seriesWidth = [series]float64{1.5, 1.3, 1.6, 1.5, 1.9, 1.3}

// stroke is how a series is drawn.
func (s *Series) stroke() paint {
	k := ((s.Kind % series) + series) % series
	p := paint{stroke: inkSeries1 + ink(k), width: seriesWidth[k], dash: dash(k)}
	if s.Thin {
		p.width, p.dash, p.wash = 0.5, 0, true
	}
	return p
}

var limitStroke = paint{stroke: inkLimit, width: 0.9, dash: dashLimit}

// frame is where lines are drawn.
type frame struct {
	x, y           scale
	xTicks, yTicks []Tick
	labels         []label
	width          float64 // of the picture
	head           float64 // height of the rows of names above
	spans, limits  bool    // there is a row of their names
}

// nameRow is the height of a row of names above a picture.
const nameRow = 11

func drawLines(p pen, l *Lines, w float64) float64 {
	f, ok := l.frame(w)
	if !ok {
		return 0
	}
	l.drawGround(p, f)
	for i := range l.Series {
		l.Series[i].drawArea(p, f)
	}
	l.drawLimits(p, f)
	l.drawSeries(p, f)
	p.beside(f.labels, f.x.b)
	bottom := f.y.a
	p.tickRow(f.x, f.xTicks, bottom, 0, w)
	if t := l.X.title(); t != "" {
		p.words((f.x.a+f.x.b)/2, bottom+22, f.x.b-f.x.a, t, nameMiddle)
		return bottom + 27
	}
	return bottom + 15
}

// frame lays the picture out; false where there is nothing to draw.
func (l *Lines) frame(w float64) (*frame, bool) {
	xs, ys := nowhere(), nowhere()
	for i := range l.Series {
		s := &l.Series[i]
		for j := range s.X {
			if known(s.X[j]) && known(s.Y.at(j)) {
				xs.take(s.X[j])
				ys.take(s.Y[j], s.Low.at(j), s.High.at(j))
				if s.Step {
					xs.take(s.until(j))
				}
			}
		}
		if s.Fill {
			ys.take(0)
		}
	}
	if xs.empty() {
		return nil, false
	}
	for _, m := range l.Limits {
		if m.Vertical {
			xs.take(m.At)
		} else {
			ys.take(m.At)
		}
	}
	f := &frame{width: w, head: 14}
	f.spans, f.limits = l.rows()
	for _, row := range []bool{f.spans, f.limits} {
		if row {
			f.head += nameRow
		}
	}
	high := min(max(0.34*w, 110), 220)
	f.y.lo, f.y.hi, f.yTicks = l.Y.fit(ys, int(high/24))
	f.y.b = f.head
	f.x.a = min(widest(f.yTicks, tickRight)+6, 0.25*w)
	f.labels = l.names(0.28*w - besideWidth)
	f.x.b = w - 6
	total := 0.0
	for i := range f.labels {
		total += f.labels[i].height()
		for _, line := range f.labels[i].lines {
			f.x.b = min(f.x.b, w-besideWidth-width(line, nameLeft)-1)
		}
	}
	f.y.a = f.y.b + max(high, min(total, 2*high))
	x := l.X
	if x.Min < x.Max { // as asked: what is beyond is not drawn
		xs = reach{x.Min, x.Max}
	} else { // the data fill the width
		x.Min, x.Max = xs.lo, xs.hi
	}
	f.x.lo, f.x.hi, f.xTicks = x.fit(xs, int((f.x.b-f.x.a)/45))
	for i := range f.labels {
		f.labels[i].y = f.y.within(f.labels[i].value)
	}
	f.labels = pushApart(f.labels, f.y.b-labelOver, f.y.a+labelOver)
	return f, true
}

// rows reports names of spans, then names of upright limits: each has a row above.
func (l *Lines) rows() (spans, limits bool) {
	for _, s := range l.Spans {
		spans = spans || s.Name != ""
	}
	for _, m := range l.Limits {
		limits = limits || m.Vertical && m.Name != ""
	}
	return spans, limits
}

// names are the labels at the right: of series, where these end, and of limits.
func (l *Lines) names(room float64) (all []label) {
	add := func(name string, value float64, how paint) {
		if lines := wrap(name, room, 3, nameLeft); len(lines) > 0 {
			all = append(all, label{value: value, lines: lines, sample: how})
		}
	}
	for i := range l.Series {
		s := &l.Series[i]
		for j := len(s.Y) - 1; j >= 0; j-- {
			if known(s.Y[j]) {
				add(s.Name, s.Y[j], s.stroke())
				break
			}
		}
	}
	for _, m := range l.Limits {
		if !m.Vertical {
			add(m.Name, m.At, limitStroke)
		}
	}
	return all
}

// drawGround draws what lies behind: spans, grid, axes and their names.
func (l *Lines) drawGround(p pen, f *frame) {
	top, bottom := f.y.b, f.y.a
	end := math.Inf(-1)
	for _, s := range l.Spans {
		from, to := f.x.within(s.From), f.x.within(s.To)
		if to-from < 0.05 {
			continue
		}
		p.rect(paint{fill: inkSpan}, from, top, to-from, bottom-top)
		if name := cut(s.Name, to-from, tickLeft); name == clean(s.Name) && from >= end {
			p.text((from+to)/2, top-3, name, tickMiddle)
			end = to
		}
	}
	for _, t := range f.yTicks {
		if t.At < f.y.lo-1e-9 || t.At > f.y.hi+1e-9 {
			continue
		}
		y := f.y.place(t.At)
		p.line(paint{stroke: inkHair, width: 0.5}, f.x.a, y, f.x.b, y)
		p.words(f.x.a-4, y+2.7, f.x.a-4, t.Name, tickRight)
	}
	p.line(paint{stroke: inkEdge, width: 0.7}, f.x.a, bottom, f.x.b, bottom)
	var hidden []sample
	for _, g := range l.gaps(f.x, f.y) {
		p.hatch(g[0], top, g[1]-g[0], bottom-top)
		hidden = []sample{{name: "not observed", hatch: true}}
	}
	p.heading(f.width, l.Y.title(), hidden)
}

// drawArea draws a series' band and fill.
func (s *Series) drawArea(p pen, f *frame) {
	wash := paint{fill: s.stroke().stroke, wash: true}
	var all []shape
	for _, r := range s.runs(f.x, f.y) {
		if len(r.high) > 1 {
			all = append(all, r.band())
		}
		if s.Fill && len(r.line) > 1 {
			all = append(all, r.under(f.y.within(0)))
		}
	}
	if len(all) > 0 {
		p.draw(wash, all...)
	}
}

// drawSeries draws the lines: the many first, so that none hides the few, and these
// with an edge of the paper's colour, so that they stand out of the many.
func (l *Lines) drawSeries(p pen, f *frame) {
	many := false
	for _, thin := range []bool{true, false} {
		for i := range l.Series {
			if s := &l.Series[i]; s.Thin == thin {
				s.drawLine(p, f, s.stroke(), !thin && many)
				many = many || thin
			}
		}
	}
}

func (s *Series) drawLine(p pen, f *frame, how paint, edged bool) {
	var all []shape
	points := 0
	for _, r := range s.runs(f.x, f.y) {
		points += len(r.line)
		if len(r.line) == 1 || len(r.line) == 2 && r.line[0] == r.line[1] { // alone between gaps
			p.rect(paint{fill: how.stroke}, r.line[0].x-1, r.line[0].y-1, 2, 2)
			continue
		}
		all = append(all, shape{points: r.line})
	}
	if len(all) == 0 {
		return
	}
	if float64(points) > f.x.b-f.x.a { // up and down in each dot: thick strokes would run together
		how.width = min(how.width, 0.9)
	}
	if edged {
		p.draw(paint{stroke: inkPaper, width: how.width + 1.6}, all...)
	}
	p.draw(how, all...)
}

// gaps are the stretches of x, as places, in which nothing was observed: between the
// first and the last that was, and on a clock from the axis' end to its other.
func (l *Lines) gaps(x, y scale) (all [][2]float64) {
	var seen [][2]float64
	for i := range l.Series {
		for _, r := range l.Series[i].runs(x, y) {
			seen = append(seen, [2]float64{r.line[0].x, r.line[len(r.line)-1].x})
		}
	}
	slices.SortFunc(seen, func(a, b [2]float64) int { return cmp.Compare(a[0], b[0]) })
	end, last := seen[0][0], 0.0
	if l.X.Ticks != nil {
		end, last = x.a, x.b
	}
	for _, s := range append(seen, [2]float64{last, last}) {
		if s[0]-end >= 2 {
			all = append(all, [2]float64{end, s[0]})
		}
		end = max(end, s[1])
	}
	return all
}

func (l *Lines) drawLimits(p pen, f *frame) {
	end, y := math.Inf(-1), f.y.b-3
	if f.spans {
		y -= nameRow
	}
	for _, m := range l.Limits {
		if !m.Vertical {
			p.line(limitStroke, f.x.a, f.y.within(m.At), f.x.b, f.y.within(m.At))
			continue
		}
		if m.At < f.x.lo || m.At > f.x.hi {
			continue
		}
		x := f.x.place(m.At)
		p.line(limitStroke, x, f.y.b, x, f.y.a)
		name := cut(m.Name, 0.4*f.width, tickLeft)
		half := width(name, tickLeft) / 2
		mid := min(max(x, f.x.a+half), f.width-half)
		if mid-half > end+3 && name != "" {
			p.text(mid, y, name, letters{sizeTick, false, inkLimit, middle})
			end = mid + half
		}
	}
}
