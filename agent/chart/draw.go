package chart

import "math"

// paintChart draws and returns the height, pt. The title and the summary are not
// drawn: they are words of the page around it.
func paintChart(cv canvas, c *Chart, w float64) float64 {
	p := pen{cv}
	w = max(w, 120)
	h := 0.0
	switch {
	case c.Lines != nil:
		l := *c.Lines
		l.X.group, l.Y.group = c.Group, c.Group
		h = drawLines(p, &l, w)
	case c.Strips != nil:
		s := *c.Strips
		s.Y.group = c.Group
		h = drawStrips(p, &s, w)
	case c.Bars != nil:
		b := *c.Bars
		b.Value.group = c.Group
		h = drawBars(p, &b, w)
	case c.Heat != nil:
		h = drawHeat(p, c.Heat, w, c.Group)
	case c.Plant != nil:
		h = drawPlant(p, c.Plant, w)
	}
	if h == 0 {
		h = drawNothing(p, w)
	}
	return h
}

// drawNothing says that there is nothing, so that an empty frame is not read as nought.
func drawNothing(p pen, w float64) float64 {
	const h = 48
	p.rect(paint{stroke: inkEdge, width: 0.6, dash: dashLimit}, 0.5, 0.5, w-1, h-1)
	p.words(w/2, h/2+3, w-10, "nothing to draw", letters{sizeName, false, inkMuted, middle})
	return h
}

func known(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

// at is the i-th of values, NaN beyond their end.
func (v Values) at(i int) float64 {
	if i < 0 || i >= len(v) {
		return math.NaN()
	}
	return v[i]
}

// reach widens over numbers.
type reach struct{ lo, hi float64 }

func nowhere() reach { return reach{math.Inf(1), math.Inf(-1)} }

func (r *reach) take(all ...float64) {
	for _, v := range all {
		if known(v) {
			r.lo, r.hi = min(r.lo, v), max(r.hi, v)
		}
	}
}

func (r reach) empty() bool { return r.lo > r.hi }
