package chart

import "math"

// symbol draws what stands in a place, r to either side of (x, y): a circle with an open
// triangle is a compressor, a capsule a vessel, a diamond treats the air, two lines are
// pipes (after the graphic symbols of fluid power, ISO 1219-1, from memory).
func (p pen) symbol(kind string, machine bool, x, y, r float64) {
	how := paint{fill: inkPaper, stroke: inkText, width: 0.9}
	open := paint{stroke: inkText, width: 0.9}
	diamond := shape{[]point{{x - r, y}, {x, y - r}, {x + r, y}, {x, y + r}}, true}
	switch {
	case machine:
		p.draw(how, arc(x, y, r, r, 0, 2*math.Pi))
		p.draw(open, shape{[]point{{x - 0.5*r, y - 0.5*r}, {x + 0.75*r, y}, {x - 0.5*r, y + 0.5*r}}, true})
	case kind == "receiver":
		left, right := arc(x-0.6*r, y, 0.6*r, 0.6*r, math.Pi/2, 3*math.Pi/2), arc(x+0.6*r, y, 0.6*r, 0.6*r, -math.Pi/2, math.Pi/2)
		p.draw(how, shape{append(left.points, right.points...), true})
	case kind == "filter":
		p.draw(how, diamond)
		p.draw(paint{stroke: inkText, width: 0.9, dash: dashLimit}, seg(x, y-r, x, y+r))
	case kind == "dryer":
		p.draw(how, diamond)
		p.draw(open, seg(x-0.35*r, y-0.15*r, x, y+0.35*r), seg(x, y+0.35*r, x+0.35*r, y-0.15*r))
	case kind == "piping":
		p.draw(open, seg(x-r, y-0.25*r, x+r, y-0.25*r), seg(x-r, y+0.25*r, x+r, y+0.25*r))
	default:
		p.draw(how, box(x-0.8*r, y-0.6*r, 1.6*r, 1.2*r))
	}
}

// arc is a part of an ellipse, from one angle to another, clockwise from the right.
func arc(x, y, rx, ry, from, to float64) shape {
	const steps = 20
	var all []point
	for i := range steps + 1 {
		a := from + (to-from)*float64(i)/steps
		all = append(all, point{x + rx*math.Cos(a), y + ry*math.Sin(a)})
	}
	return shape{all, to-from > 6}
}
