package chart

import "math"

const (
	stripLine  = 34.0 // height of a day's line, pt
	stripBand  = 13.0 // of its states
	stripApart = 11.0 // between days
)

// stageColumn is the width of the columns of a band, pt: each shows the shares of the
// states in it, so that hundreds of changes an hour stay true in little room.
const stageColumn = 1.0

func drawStrips(p pen, s *Strips, w float64) float64 {
	ys, any := nowhere(), false
	for i := range s.Rows {
		l := &s.Rows[i].Line
		ys.take(l.Y...)
		ys.take(l.Low...)
		ys.take(l.High...)
		any = any || len(s.Rows[i].States) > 0
	}
	if ys.empty() && !any {
		return 0
	}
	f := s.frame(ys, w)
	lined := !ys.empty()
	if t := s.Y.title(); lined && t != "" {
		p.words(0, 8, w, t, nameLeft)
	}
	y := f.head
	for i := range s.Rows {
		y = s.Rows[i].draw(p, f, y, lined)
	}
	y -= stripApart - 3
	p.tickRow(f.x, f.xTicks, y, 0, w)
	y += 13
	if t := s.X.title(); t != "" {
		p.words((f.x.a+f.x.b)/2, y+9, f.x.b-f.x.a, t, nameMiddle)
		y += 12
	}
	if used := s.used(); len(used) > 0 {
		y = p.legend(f.x.a, y+5, w, used)
	}
	return y + 2
}

// frame lays out what the days share.
func (s *Strips) frame(ys reach, w float64) *frame {
	f := &frame{width: w, head: 14}
	axis := s.Y
	if room := 0.06 * (ys.hi - ys.lo); !ys.empty() && room > 0 && !(axis.Min < axis.Max) { // no room to move out to ticks
		if axis.Min, axis.Max = ys.lo-room, ys.hi+room; axis.Zero {
			axis.Min, axis.Max = min(0, ys.lo), max(0, ys.hi+room)
		}
	}
	f.y.lo, f.y.hi, f.yTicks = axis.fit(ys, 3)
	names := 0.0
	for i := range s.Rows {
		names = max(names, width(clean(s.Rows[i].Name), boldLeft))
	}
	f.x.a = min(names+1, 0.2*w) + 8
	if !ys.empty() {
		f.x.a += widest(f.yTicks, tickRight) + 4
	}
	f.x.b = w - 8
	xs := nowhere()
	for i := range s.Rows {
		xs.take(s.Rows[i].Line.X...)
		for _, st := range s.Rows[i].States {
			xs.take(st.From, st.To)
		}
	}
	f.x.lo, f.x.hi, f.xTicks = s.X.fit(xs, int((f.x.b-f.x.a)/40))
	return f
}

// draw draws one day with its upper edge at y, and returns where the next begins.
func (s *Strip) draw(p pen, f *frame, y float64, lined bool) float64 {
	room := f.x.a - 8
	if lined {
		room -= widest(f.yTicks, tickRight) + 4
	}
	for j, line := range wrap(s.Name, room, 3, boldLeft) {
		p.text(0, y+9+float64(j)*lineStep, line, boldLeft)
	}
	if lined {
		own := *f
		own.y.b, own.y.a = y, y+stripLine
		for _, t := range f.yTicks {
			at := own.y.place(t.At)
			p.line(paint{stroke: inkHair, width: 0.5}, f.x.a, at, f.x.b, at)
			p.words(f.x.a-4, at+2.7, f.x.a-room, t.Name, tickRight)
		}
		for _, t := range f.xTicks {
			if x := f.x.within(t.At); t.At > f.x.lo && t.At < f.x.hi {
				p.line(paint{stroke: inkHair, width: 0.4}, x, y, x, y+stripLine)
			}
		}
		for _, h := range hiddenStages(f.x, s.States) {
			p.hatch(h[0], y, h[1]-h[0], stripLine)
		}
		s.Line.drawArea(p, &own)
		how := s.Line.stroke()
		how.width = min(how.width, 0.9)
		s.Line.drawLine(p, &own, how, false)
		y += stripLine + 2
	}
	if len(s.States) > 0 {
		drawStages(p, f.x, s.States, y)
	}
	y += stripBand
	p.line(paint{stroke: inkEdge, width: 0.6}, f.x.a, y, f.x.b, y)
	return y + stripApart
}

// shares are the parts of a column's time in each of ofState, then unobserved.
func shares(x scale, stages []Stage) [][]float64 {
	columns := make([][]float64, int(math.Ceil((x.b-x.a)/stageColumn)))
	for i := range columns {
		columns[i] = make([]float64, len(ofState)+1)
	}
	for _, st := range stages {
		k := len(ofState)
		for i := range ofState {
			if ofState[i].state == st.State {
				k = i
			}
		}
		from, to := (x.within(st.From)-x.a)/stageColumn, (x.within(st.To)-x.a)/stageColumn
		for c := int(from); c < len(columns) && float64(c) < to; c++ {
			columns[c][k] += max(0, min(to, float64(c+1))-max(from, float64(c)))
		}
	}
	return columns
}

// hiddenStages are the stretches of a band, as places, of which most was not observed.
func hiddenStages(x scale, stages []Stage) (all [][2]float64) {
	columns, hidden := shares(x, stages), len(ofState)
	for i := 0; i < len(columns); i++ {
		from := i
		for i < len(columns) && columns[i][hidden] >= 0.5 {
			i++
		}
		if i > from {
			all = append(all, [2]float64{x.a + float64(from)*stageColumn, min(x.a+float64(i)*stageColumn, x.b)})
		}
	}
	return all
}

// drawStages draws a band: in each column the states stand on one another, each as high
// as its own height and its share of the time. What was not observed is hatched.
func drawStages(p pen, x scale, stages []Stage, y float64) {
	for _, h := range hiddenStages(x, stages) {
		p.hatch(h[0], y, h[1]-h[0], stripBand)
	}
	columns := shares(x, stages)
	tops := make([][]float64, len(ofState)) // how high each column stands with the states up to one
	for k := range ofState {
		tops[k] = make([]float64, len(columns))
		for i := range columns {
			tops[k][i] = columns[i][k] * ofState[k].height
			if k > 0 {
				tops[k][i] += tops[k-1][i]
			}
		}
	}
	for k := len(ofState) - 1; k >= 0; k-- { // each from the foot up, so that the next covers it: fewer strokes than rings
		if all := stands(x, y+stripBand, columns, k, tops[k]); len(all) > 0 {
			p.draw(paint{fill: ofState[k].ink}, all...)
		}
	}
}

// stands are the shapes of a state: of the columns in which it is, from the foot to its top.
func stands(x scale, foot float64, columns [][]float64, k int, tops []float64) (all []shape) {
	is := func(i int) bool { return columns[i][k]*ofState[k].height >= 0.004 }
	for i := 0; i < len(columns); i++ {
		from := i
		var upper []point
		for ; i < len(columns) && is(i); i++ {
			a, b := x.a+float64(i)*stageColumn, min(x.a+float64(i+1)*stageColumn, x.b)
			upper = append(upper, point{a, foot - stripBand*tops[i]}, point{b, foot - stripBand*tops[i]})
		}
		if i > from {
			r := run{line: straight(upper)}
			all = append(all, r.under(foot))
		}
	}
	return all
}

// used are the states that occur, as samples of the legend.
func (s *Strips) used() (all []sample) {
	seen := map[string]bool{}
	for i := range s.Rows {
		for _, st := range s.Rows[i].States {
			seen[st.State] = true
		}
	}
	for _, st := range ofState {
		if seen[st.state] {
			all = append(all, sample{name: st.state, paint: paint{fill: st.ink}, height: st.height})
			delete(seen, st.state)
		}
	}
	if len(seen) > 0 { // a word that is no state is drawn as one that is not known
		all = append(all, sample{name: "not observed", hatch: true})
	}
	return all
}
