package chart

import (
	"math"
	"strconv"
	"strings"
)

// SVG draws the chart as an element for a page: with its words for who cannot see it,
// and nothing that it would have to fetch. Colours are CSS variables (see CSS) with the
// light ones behind. A chart's ID must be its own on the page.
func SVG(c *Chart, widthPt float64) string {
	s := &svg{}
	height := paintChart(s, c, widthPt)
	s.close()
	size := func(v float64) string { return strconv.FormatFloat(math.Ceil(v), 'f', -1, 64) }
	w, h := size(widthPt), size(height)
	id := escape(c.ID)
	return `<svg xmlns="http://www.w3.org/2000/svg" role="img" width="` + w + `pt" height="` + h + `pt" viewBox="0 0 ` + w + " " + h +
		`" aria-labelledby="` + id + `-title ` + id + `-desc" style="font-family:var(--chart-font,sans-serif)">` +
		`<title id="` + id + `-title">` + escape(clean(c.Title)) + `</title><desc id="` + id + `-desc">` + escape(clean(c.Summary)) + `</desc>` +
		s.out.String() + `</svg>`
}

// Height is how high the chart is when it is so wide, in points.
func Height(c *Chart, widthPt float64) float64 { return math.Ceil(paintChart(blank{}, c, widthPt)) }

// svg writes elements; neighbours of one style share a group.
type svg struct {
	out   strings.Builder
	style string // of the group that is open; empty: none
}

func (s *svg) group(style string) {
	if s.style == style {
		return
	}
	s.close()
	s.out.WriteString(`<g style="` + style + `">`)
	s.style = style
}

func (s *svg) close() {
	if s.style != "" {
		s.out.WriteString("</g>")
	}
	s.style = ""
}

func variable(i ink) string {
	if i == inkNone {
		return "none"
	}
	return "var(--chart-" + palette[i].name + "," + palette[i].light + ")"
}

func (s *svg) draw(p paint, shapes ...shape) {
	style := "fill:" + variable(p.fill)
	if p.wash {
		style += ";opacity:" + number(p.opacity())
	}
	if p.stroke != inkNone {
		style += ";stroke:" + variable(p.stroke) + ";stroke-width:" + number(p.width) + ";stroke-linejoin:round"
		for i, d := range dashes[p.dash] {
			if i == 0 {
				style += ";stroke-dasharray:"
			} else {
				style += " "
			}
			style += number(d)
		}
	}
	s.group(style)
	s.out.WriteString(`<path d="`)
	for _, sh := range shapes {
		s.shape(sh)
	}
	s.out.WriteString(`"/>`)
}

// shape writes places to a tenth of a point, each from the one before as it was
// rounded, so that no error adds up.
func (s *svg) shape(sh shape) {
	var at point
	open := false // a run of "l"
	for i, p := range sh.points {
		to := point{math.Round(p.x * 10), math.Round(p.y * 10)}
		dx, dy := to.x-at.x, to.y-at.y
		switch {
		case i == 0:
			s.out.WriteString("M" + tenths(to.x) + join(tenths(to.y)))
		case dx == 0 && dy == 0:
			if len(sh.points) == 2 { // a dot is a short stroke
				s.out.WriteString("h.1")
			}
			continue
		case dy == 0:
			s.out.WriteString("h" + tenths(dx))
			open = false
		case dx == 0:
			s.out.WriteString("v" + tenths(dy))
			open = false
		case open:
			s.out.WriteString(join(tenths(dx)) + join(tenths(dy)))
		default:
			s.out.WriteString("l" + tenths(dx) + join(tenths(dy)))
			open = true
		}
		at = to
	}
	if sh.closed {
		s.out.WriteString("z")
	}
}

// tenths writes a whole number of tenths as SVG takes it shortest.
func tenths(n float64) string {
	t := strconv.FormatFloat(n/10, 'f', -1, 64)
	if r, ok := strings.CutPrefix(t, "0."); ok {
		return "." + r
	}
	if r, ok := strings.CutPrefix(t, "-0."); ok {
		return "-." + r
	}
	if t == "-0" {
		return "0"
	}
	return t
}

// join puts a space before a number that does not begin with a sign.
func join(n string) string {
	if n[0] == '-' {
		return n
	}
	return " " + n
}

func (s *svg) text(x, y float64, text string, l letters) {
	style := "font-size:" + number(l.size) + "px;fill:" + variable(l.ink)
	if l.bold {
		style += ";font-weight:700"
	}
	switch l.at {
	case middle:
		style += ";text-anchor:middle"
	case right:
		style += ";text-anchor:end"
	}
	s.group(style)
	s.out.WriteString(`<text x="` + number(x) + `" y="` + number(y) + `">` + escape(text) + `</text>`)
}

// number writes to two decimals.
func number(v float64) string {
	v = math.Round(v*100) / 100
	if v == 0 {
		return "0"
	}
	return strconv.FormatFloat(v, 'f', -1, 64)
}

func escape(s string) string {
	return strings.NewReplacer("&", "&amp;", "<", "&lt;", ">", "&gt;", `"`, "&quot;", "'", "&#39;").Replace(s)
}
