package chart

// point is a place on the picture: points (1/72 inch) to the right and down.
type point struct{ x, y float64 }

// shape is a run of straight strokes; closed ones return to where they began.
type shape struct {
	points []point
	closed bool
}

// paint is how shapes are drawn. The zero ink draws nothing.
type paint struct {
	fill, stroke ink
	wash         bool    // lets what lies below through
	width        float64 // of the stroke, pt
	dash         dash
}

// opacity is how much of what lies below a wash hides.
func (p paint) opacity() float64 {
	switch {
	case !p.wash:
		return 1
	case p.fill != inkNone: // a band, through which lines show
		return 0.22
	}
	return 0.5 // one line of many
}

// dash is a place in dashes.
type dash int

// dashes are the lengths of strokes and gaps, pt; those of the first six tell the
// series apart without their colour.
var dashes = [...][]float64{nil, {6, 2.5}, {2.2, 1.8}, {8, 2, 1.5, 2}, {4, 2}, {10, 2.5}, {2, 2.2}}

const dashLimit dash = 6

// anchor is which part of a text stands at its place.
type anchor int

const (
	left anchor = iota
	middle
	right
)

// letters is how a text is set. Its place is on the baseline.
type letters struct {
	size float64 // pt
	bold bool
	ink  ink
	at   anchor
}

// canvas is what a back end can do: no more than both SVG and PDF do alike.
type canvas interface {
	draw(p paint, shapes ...shape)
	text(x, y float64, s string, l letters)
}

// blank is a canvas on which nothing stays, to learn how high a picture is.
type blank struct{}

func (blank) draw(paint, ...shape)                   {}
func (blank) text(float64, float64, string, letters) {}

// pen draws what pictures are made of.
type pen struct{ canvas }

func (p pen) line(how paint, x1, y1, x2, y2 float64) {
	p.draw(how, shape{points: []point{{x1, y1}, {x2, y2}}})
}

func (p pen) rect(how paint, x, y, w, h float64) { p.draw(how, box(x, y, w, h)) }

func box(x, y, w, h float64) shape {
	return shape{[]point{{x, y}, {x + w, y}, {x + w, y + h}, {x, y + h}}, true}
}

// hatch fills a box with slanting lines: what was not observed.
func (p pen) hatch(x, y, w, h float64) {
	const apart = 4.0
	var all []shape
	// Lines are those on which x+y is a multiple of apart, so that the hatching of
	// neighbours joins.
	for k := float64(int((x+y)/apart)+1) * apart; k < x+w+y+h; k += apart {
		x1, x2 := max(x, k-y-h), min(x+w, k-y)
		if x2-x1 > 0.05 {
			all = append(all, shape{points: []point{{x1, k - x1}, {x2, k - x2}}})
		}
	}
	if len(all) > 0 {
		p.draw(paint{stroke: inkHatch, width: 0.7}, all...)
	}
}

// words sets a text no wider than room; what does not fit is cut.
func (p pen) words(x, y, room float64, s string, l letters) {
	if s = cut(s, room, l); s != "" {
		p.text(x, y, s, l)
	}
}
