package chart

import (
	"math"
	"strconv"
)

const heatSteps = int(inkHeat6-inkHeat0) + 1

// heatText is the ink of numbers in a cell of each step.
func heatText(step int) ink {
	if step >= 4 {
		return inkPaper
	}
	return inkText
}

// bounds are the ends of the steps of a map: of even width, at round numbers, from nought
// where that does not squeeze the values into a few.
func (h *Heat) bounds() (from, step float64, ok bool) {
	r := nowhere()
	for _, row := range h.Cells {
		r.take(row...)
	}
	if r.empty() {
		return 0, 0, false
	}
	if r.lo < 0.5*r.hi && r.lo > -0.02*r.hi { // less than nothing by its uncertainty is nothing
		r.lo = 0
	}
	span := r.hi - r.lo
	if span == 0 {
		span = max(math.Abs(r.hi), 1)
	}
	step = heatStep(span / float64(heatSteps))
	from = math.Floor(r.lo/step+1e-9) * step
	for from+step*float64(heatSteps) < r.hi-1e-9*step {
		step = heatStep(step * 1.05)
		from = math.Floor(r.lo/step+1e-9) * step
	}
	return from, step, true
}

// heatStep is the next of 1, 1.5, 2, 2.5, 3, 4, 5, 6, 8 times a power of ten.
func heatStep(least float64) float64 {
	power := math.Pow(10, math.Floor(math.Log10(least)))
	for _, m := range []float64{1, 1.5, 2, 2.5, 3, 4, 5, 6, 8, 10} {
		if m*power >= least*(1-1e-9) {
			return m * power
		}
	}
	return 10 * power
}

func drawHeat(p pen, h *Heat, w float64, group string) float64 {
	from, step, ok := h.bounds()
	if !ok || len(h.Columns) == 0 || len(h.Rows) == 0 {
		return 0
	}
	names := 0.0
	for _, r := range h.Rows {
		names = max(names, width(clean(r), nameLeft))
	}
	x := min(names, 0.25*w) + 6
	cell := (w - x - 1) / float64(len(h.Columns))
	high := min(max(cell*0.8, 13), 20)
	y := 13.0
	var ticks []Tick
	for i, c := range h.Columns {
		ticks = append(ticks, Tick{float64(i) + 0.5, c})
	}
	for _, t := range (scale{0, float64(len(h.Columns)), x, x + cell*float64(len(h.Columns))}).spaced(ticks, 0, w) {
		p.text(t.x, y-4, t.Name, tickMiddle)
	}
	for i := range h.Rows {
		p.words(x-6, y+high/2+2.8, x-6, h.Rows[i], nameRight)
		y += high
	}
	h.drawCells(p, x, 13, cell, high, from, step)
	return h.drawKey(p, x, y+7, w, func(k int) string { return tickText(from+float64(k)*step, step, group) })
}

// stepOf is the step of a value.
func stepOf(v, from, step float64) int {
	return min(max(int(math.Floor((v-from)/step+1e-9)), 0), heatSteps-1)
}

// drawCells draws the map, the cells of a step at once.
func (h *Heat) drawCells(p pen, x, y, wide, high, from, step float64) {
	cells := make([][]shape, heatSteps)
	numbers := h.numbers(wide-1.5, step)
	type figure struct {
		x, y float64
		text string
	}
	written := map[ink][]figure{}
	for i := range h.Rows {
		for j := range h.Columns {
			v := math.NaN()
			if i < len(h.Cells) {
				v = h.Cells[i].at(j)
			}
			cx, cy := x+float64(j)*wide, y+float64(i)*high
			if !known(v) {
				p.hatch(cx, cy, wide, high)
				continue
			}
			k := stepOf(v, from, step)
			cells[k] = append(cells[k], box(cx, cy, wide, high))
			if numbers != nil {
				written[heatText(k)] = append(written[heatText(k)], figure{cx + wide/2, cy + high/2 + 2.6, numbers(v)})
			}
		}
	}
	for k, all := range cells {
		if len(all) > 0 {
			p.draw(paint{fill: inkHeat0 + ink(k), stroke: inkPaper, width: 0.6}, all...)
		}
	}
	for _, colour := range []ink{inkText, inkPaper} {
		for _, f := range written[colour] {
			p.text(f.x, f.y, f.text, letters{sizeTick, false, colour, middle})
		}
	}
	p.rect(paint{stroke: inkEdge, width: 0.5}, x, y, wide*float64(len(h.Columns)), high*float64(len(h.Rows)))
}

// numbers writes the values of cells so that they fit, with as many decimals as help to
// tell the steps apart; nil where they do not fit.
func (h *Heat) numbers(room, step float64) func(float64) string {
	for decimals := min(max(0, int(math.Ceil(-math.Log10(step)))), 3); decimals >= 0; decimals-- {
		write := func(v float64) string {
			s := strconv.FormatFloat(v, 'f', decimals, 64)
			if s == "-0" {
				return "0"
			}
			return s
		}
		fits := true
		for _, row := range h.Cells {
			for _, v := range row {
				fits = fits && (!known(v) || width(write(v), tickMiddle) <= room)
			}
		}
		if fits {
			return write
		}
	}
	return nil
}

// drawKey draws the steps with their ends.
func (h *Heat) drawKey(p pen, x, y, w float64, end func(step int) string) float64 {
	wide := min(30, (w-x-12)/float64(heatSteps))
	at := x
	for k := range heatSteps {
		p.rect(paint{fill: inkHeat0 + ink(k), stroke: inkEdge, width: 0.4}, at, y, wide, 8)
		p.text(at, y+16.5, end(k), tickMiddle)
		at += wide
	}
	p.text(at, y+16.5, end(heatSteps), tickMiddle)
	p.words(at+8, y+7.5, w-at-8, h.Unit, nameLeft)
	for _, row := range h.Cells {
		for _, v := range row {
			if !known(v) {
				unit := at + 8 + width(clean(h.Unit), nameLeft) + 14
				if w-unit > 80 {
					p.legend(unit, y, w, []sample{{name: "not observed", hatch: true}})
					return y + 20
				}
				return p.legend(x, y+21, w, []sample{{name: "not observed", hatch: true}}) + 1
			}
		}
	}
	return y + 20
}
