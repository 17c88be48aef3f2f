package chart

import "math"

// columns is where bars that stand are drawn.
type columns struct {
	value, x scale
	ticks    []Tick
	slot     float64 // width of a bar's place
	labels   []label // of limits
}

const columnsHigh = 130.0

// drawColumns draws bars as columns: names below, what they come to above.
func (b *Bars) drawColumns(p pen, w, y float64, ys reach) float64 {
	c := b.columns(w, y, ys)
	p.words(0, y+8, w, b.Value.title(), nameLeft)
	for _, t := range c.ticks {
		at := c.value.place(t.At)
		p.line(paint{stroke: inkHair, width: 0.5}, c.x.a, at, c.x.b, at)
		p.words(c.x.a-4, at+2.7, c.x.a-4, t.Name, tickRight)
	}
	tops := make([]float64, len(b.Bars))
	for i := range b.Bars {
		tops[i] = b.drawColumn(p, c, i)
	}
	for i := range c.labels {
		p.line(limitStroke, c.x.a, c.labels[i].y, c.x.b, c.labels[i].y)
	}
	p.line(paint{stroke: inkEdge, width: 0.7}, c.x.a, c.value.place(0), c.x.b, c.value.place(0))
	b.columnMarks(p, c, tops)
	p.beside(c.labels, c.x.b)
	return b.columnNames(p, w, c.x.a, c.slot, c.value.a)
}

func (b *Bars) columns(w, y float64, ys reach) *columns {
	c := &columns{}
	c.value.b = y + 22
	c.value.a = c.value.b + columnsHigh
	c.value.lo, c.value.hi, c.ticks = b.Value.fit(ys, 6)
	c.x.a, c.x.b = min(widest(c.ticks, tickRight)+6, 0.25*w), w-6
	for _, m := range b.Limits {
		lines := wrap(m.Name, 0.25*w, 3, nameLeft)
		for _, line := range lines {
			c.x.b = min(c.x.b, w-besideWidth-width(line, nameLeft)-1)
		}
		c.labels = append(c.labels, label{y: c.value.within(m.At), lines: lines, sample: limitStroke})
	}
	c.labels = pushApart(c.labels, c.value.b-labelOver, c.value.a+labelOver)
	c.slot = (c.x.b - c.x.a) / float64(len(b.Bars))
	return c
}

func (c *columns) middle(i int) float64 { return c.x.a + c.slot*(float64(i)+0.5) }

// drawColumn draws one bar, hatched where nothing of it is known, and returns its
// upper end.
func (b *Bars) drawColumn(p pen, c *columns, i int) float64 {
	bar, mid := &b.Bars[i], c.middle(i)
	thick := min(c.slot*0.8, 46)
	if len(b.Bars) > 12 {
		thick = c.slot * 0.92
	}
	top := c.value.place(0)
	if !known(bar.sum()) {
		p.hatch(mid-thick/2, c.value.b, thick, c.value.a-c.value.b)
		return top
	}
	bar.stack(func(part int, from, to float64) {
		a, z := c.value.place(from), c.value.place(to)
		b.piece(p, part, mid-thick/2, min(a, z), thick, math.Abs(z-a))
		top = min(top, a, z)
	})
	if bar.spread() {
		lo, hi := c.value.place(bar.Low), c.value.place(bar.High)
		p.spread(seg(mid, lo, mid, hi), seg(mid-3, lo, mid+3, lo), seg(mid-3, hi, mid+3, hi))
		top = min(top, hi)
	}
	return top
}

// columnMarks writes what columns come to, where there is room for all.
func (b *Bars) columnMarks(p pen, c *columns, tops []float64) {
	for i := range b.Bars {
		if width(clean(b.Bars[i].Label), tickLeft) > c.slot-2 {
			return
		}
	}
	for i := range b.Bars {
		mark := cut(b.Bars[i].Label, c.slot, tickMiddle)
		if mark == "" {
			continue
		}
		if len(b.Limits) > 0 { // a limit's line would strike it out
			w := width(mark, tickMiddle)
			p.rect(paint{fill: inkPaper}, c.middle(i)-w/2, tops[i]-10, w, 9)
		}
		p.text(c.middle(i), tops[i]-3, mark, letters{sizeTick, false, inkText, middle})
	}
}

// columnNames writes the names below: in up to three lines where they are few, else as
// many as have room.
func (b *Bars) columnNames(p pen, w, from, slot, y float64) float64 {
	if slot <= 34 {
		var ticks []Tick
		for i := range b.Bars {
			ticks = append(ticks, Tick{float64(i) + 0.5, b.Bars[i].Name})
		}
		p.tickRow(scale{0, float64(len(b.Bars)), from, from + slot*float64(len(b.Bars))}, ticks, y, 0, w)
		return y + 15
	}
	most := 1
	for i := range b.Bars {
		lines := wrap(b.Bars[i].Name, slot-4, 3, tickLeft)
		most = max(most, len(lines))
		for j, line := range lines {
			p.text(from+slot*(float64(i)+0.5), y+10.5+float64(j)*9, line, tickMiddle)
		}
	}
	return y + 6 + float64(most)*9
}
