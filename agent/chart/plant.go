package chart

import "strconv"

// slot is a place of the plant as drawn.
type slot struct {
	PlantPart
	number  string // where names do not fit, of the list below
	machine bool
}

// drawPlant draws a place for each machine and part, left to right as the air goes, at
// the height of its pressure; what stands there, and what reads it, is written below.
func drawPlant(p pen, pl *Plant, w float64) float64 {
	slots := pl.slots()
	if len(slots) == 0 {
		return 0
	}
	r := nowhere()
	for i := range slots {
		if slots[i].read() {
			r.take(slots[i].Pressure)
		}
	}
	if !r.empty() && pl.Minimum > 0 {
		r.take(pl.Minimum)
	}
	f := frame{width: w, head: 14}
	var high float64
	f.y.b = f.head
	if r.empty() {
		f.x.a, high = 0, 26
	} else {
		f.y.lo, f.y.hi, f.yTicks = Axis{}.fit(reach{r.lo - 0.08*(r.hi-r.lo), r.hi + 0.12*(r.hi-r.lo)}, 5)
		f.x.a, high = widest(f.yTicks, tickRight)+6, 96
	}
	f.x.b, f.y.a = w-1, f.y.b+high
	wide := (f.x.b - f.x.a) / float64(len(slots))
	numbered := wide < 50
	if !r.empty() {
		title := Axis{Label: "Pressure", Unit: pl.Unit}.title()
		p.words(0, 8, w, title, nameLeft)
		for _, t := range f.yTicks {
			y := f.y.place(t.At)
			p.line(paint{stroke: inkHair, width: 0.5}, f.x.a, y, f.x.b, y)
			p.words(f.x.a-4, y+2.7, f.x.a-4, t.Name, tickRight)
		}
	}
	drawAir(p, slots, &f, wide)
	if !r.empty() && pl.Minimum > 0 {
		y := f.y.place(pl.Minimum)
		p.line(limitStroke, f.x.a, y, f.x.b, y)
		p.words(f.x.b, y+9.5, w/2, "least that users need: "+short(pl.Minimum)+" "+pl.Unit, letters{sizeTick, false, inkLimit, right})
	}
	if numbered {
		return pl.drawList(p, slots, &f, wide)
	}
	return pl.drawNames(p, slots, &f, wide)
}

func (pl *Plant) slots() (all []slot) {
	for _, m := range pl.Machines {
		all = append(all, slot{PlantPart: m, machine: true})
	}
	for _, m := range pl.Parts {
		all = append(all, slot{PlantPart: m})
	}
	for i := range all {
		all[i].number = strconv.Itoa(i + 1)
	}
	return all
}

func (s *slot) read() bool { return known(s.Pressure) && s.Pressure != 0 }

func short(v float64) string { return strconv.FormatFloat(v, 'g', 4, 64) }

// drawAir draws the air at its pressure: a level over each place that is read, broken
// where nothing reads it. Machines feed side by side; parts follow one another.
func drawAir(p pen, slots []slot, f *frame, wide float64) {
	level := func(s *slot) float64 {
		if s.read() && len(f.yTicks) > 0 {
			return f.y.place(s.Pressure)
		}
		return (f.y.a + f.y.b) / 2
	}
	for i := range slots {
		s := &slots[i]
		x, y := f.x.a+float64(i)*wide, level(s)
		how := paint{fill: inkSeries1, wash: true}
		if !s.read() {
			p.hatchless(x+3, y, wide-6, f.y.a-y)
		} else {
			p.rect(how, x+3, y, wide-6, f.y.a-y)
			p.line(paint{stroke: inkSeries1, width: 2}, x+3, y, x+wide-3, y)
			p.words(x+wide/2, y-4, wide, short(s.Pressure), letters{sizeName, true, inkText, middle})
		}
		if s.machine {
			p.line(paint{stroke: inkText, width: 1.4}, x+3, f.y.a, x+wide-3, f.y.a)
		}
	}
	p.line(paint{stroke: inkEdge, width: 0.7}, f.x.a, f.y.a, f.x.b, f.y.a)
}

// hatchless is the outline of a place that nothing reads.
func (p pen) hatchless(x, y, w, h float64) {
	p.rect(paint{stroke: inkEdge, width: 0.6, dash: dashLimit}, x, y, w, h)
}

// drawNames writes what stands in each place below it.
func (pl *Plant) drawNames(p pen, slots []slot, f *frame, wide float64) float64 {
	most := f.y.a
	for i := range slots {
		x, y := f.x.a+(float64(i)+0.5)*wide, f.y.a+10
		put := func(s string, lines int, l letters) {
			for _, line := range wrap(s, wide-4, lines, l) {
				p.text(x, y, line, l)
				y += 9.2
			}
		}
		put(slots[i].Name, 2, letters{sizeName, true, inkText, middle})
		put(slots[i].Kind, 2, tickMiddle)
		put(slots[i].Note, 2, tickMiddle)
		if slots[i].Tap != "" {
			put("read by "+slots[i].Tap, 3, tickMiddle)
		}
		most = max(most, y)
	}
	return most
}

// drawList writes the number of each place below it and the names in a list.
func (pl *Plant) drawList(p pen, slots []slot, f *frame, wide float64) float64 {
	end := -1.0
	for i := range slots {
		x := f.x.a + (float64(i)+0.5)*wide
		if half := width(slots[i].number, boldLeft) / 2; x-half > end {
			p.text(x, f.y.a+10, slots[i].number, letters{sizeName, true, inkText, middle})
			end = x + half + 2
		}
	}
	y := f.y.a + 24
	half := (f.width - 10) / 2
	rows := (len(slots) + 1) / 2
	for i := range slots {
		s := &slots[i]
		text := s.number + "  " + s.Name
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
