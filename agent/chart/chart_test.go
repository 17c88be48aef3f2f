package chart

import (
	"encoding/xml"
	"errors"
	"io"
	"math"
	"strings"
	"testing"
)

// recorder keeps what was drawn.
type recorder struct {
	texts  []placed
	shapes []shape
	paints []paint
}

type placed struct {
	x, y, w float64 // of the left end of the baseline
	s       string
	l       letters
}

func (r *recorder) draw(p paint, shapes ...shape) {
	for _, s := range shapes {
		r.shapes, r.paints = append(r.shapes, s), append(r.paints, p)
	}
}

func (r *recorder) text(x, y float64, s string, l letters) {
	w := width(s, l)
	switch l.at {
	case middle:
		x -= w / 2
	case right:
		x -= w
	}
	r.texts = append(r.texts, placed{x, y, w, s, l})
}

// widths are those of a phone, half a page, a page, and a page on its side, pt.
var widths = []float64{260, 360, 500, 720}

// TestInside: nothing reaches out of the picture, no text covers another, and none is
// smaller than can be read, whatever the names.
func TestInside(t *testing.T) {
	for _, c := range append(samples(), oddSamples()...) {
		for _, w := range widths {
			r := &recorder{}
			h := paintChart(r, c, w)
			if h < 40 || h > 2500 {
				t.Errorf("%.30s at %g pt: %g pt high", c.Title, w, h)
			}
			for i, a := range r.texts {
				if a.x < -0.1 || a.x+a.w > w+0.1 || a.y-a.l.size*0.75 < -0.5 || a.y+a.l.size*0.22 > h+0.5 {
					t.Errorf("%.30s at %g pt: %.40q at %.1f to %.1f, %.1f of %.1f, is not inside", c.Title, w, a.s, a.x, a.x+a.w, a.y, h)
				}
				if a.l.size < 7.5 {
					t.Errorf("%.30s: %q is of %g pt", c.Title, a.s, a.l.size)
				}
				for _, b := range r.texts[:i] {
					// Half of a line's height apart: above that letters would touch.
					if a.x < b.x+b.w-0.1 && b.x < a.x+a.w-0.1 && math.Abs(a.y-b.y) < 6.5 {
						t.Errorf("%.30s at %g pt: %.40q covers %.40q", c.Title, w, a.s, b.s)
					}
				}
			}
			for i, s := range r.shapes {
				for _, p := range s.points {
					if p.x < -0.1 || p.x > w+0.1 || p.y < -0.1 || p.y > h+0.1 || !known(p.x) || !known(p.y) {
						t.Fatalf("%.30s at %g pt (%g high): shape %d of %+v reaches %+v", c.Title, w, h, i, r.paints[i], p)
					}
				}
			}
		}
	}
}

// TestSVG: well-formed, with its words, the same again, nothing to fetch, as high as Height.
func TestSVG(t *testing.T) {
	ids := map[string]bool{}
	for _, c := range samples() {
		text := SVG(c, 500)
		if text != SVG(c, 500) {
			t.Errorf("%s: another picture the second time", c.Title)
		}
		words := ""
		d := xml.NewDecoder(strings.NewReader(text))
		for first := true; ; first = false {
			token, err := d.Token()
			if errors.Is(err, io.EOF) {
				break
			}
			if err != nil {
				t.Fatalf("%s: %v", c.Title, err)
			}
			if chars, ok := token.(xml.CharData); ok {
				words += string(chars) + "\n"
			}
			e, ok := token.(xml.StartElement)
			if !ok {
				continue
			}
			for _, a := range e.Attr {
				switch {
				case first && a.Name.Local == "viewBox" && a.Value != "0 0 500 "+number(Height(c, 500)):
					t.Errorf("%s: viewBox %s, height %g", c.Title, a.Value, Height(c, 500))
				case a.Name.Local == "id" && ids[a.Value]:
					t.Errorf("%s: a second id %s", c.Title, a.Value)
				case a.Name.Local == "id":
					ids[a.Value] = true
				case a.Name.Local == "href" || strings.Contains(a.Value, "url("):
					t.Errorf("%s: %s=%q has something to fetch", c.Title, a.Name.Local, a.Value)
				}
			}
		}
		if !strings.Contains(words, c.Title) || !strings.Contains(words, c.Summary) {
			t.Errorf("%s: its title or summary is not in the picture", c.Title)
		}
		if strings.Contains(text, "NaN") || strings.Contains(text, "Inf") {
			t.Errorf("%s: holds what is no number", c.Title)
		}
	}
}

// TestNothing: a chart without data says so instead of drawing an empty frame, and one
// with a single value is drawn.
func TestNothing(t *testing.T) {
	none := Values{nan, nan}
	for name, c := range map[string]*Chart{
		"of no kind":      {},
		"lines":           {Lines: &Lines{}},
		"lines of gaps":   {Lines: &Lines{Series: []Series{{X: Values{1, 2}, Y: none}}}},
		"no days":         {Strips: &Strips{}},
		"days of gaps":    {Strips: &Strips{Rows: []Strip{{Name: "Mon", Line: Series{X: Values{1, 2}, Y: none}}}}},
		"no bars":         {Bars: &Bars{}},
		"bars of gaps":    {Bars: &Bars{Bars: []Bar{{Name: "a", Values: none}}}},
		"no map":          {Heat: &Heat{}},
		"a map of gaps":   {Heat: &Heat{Columns: []string{"0", "1"}, Rows: []string{"Mon"}, Cells: []Values{none}}},
		"an empty system": {Plant: &Plant{}},
	} {
		r := &recorder{}
		paintChart(r, c, 300)
		if len(r.texts) != 1 || r.texts[0].s != "nothing to draw" {
			t.Errorf("%s: says %+v", name, r.texts)
		}
	}
	for name, c := range map[string]*Chart{
		"a point":  {Lines: &Lines{Series: []Series{{X: Values{1}, Y: Values{0}}}}},
		"a stage":  {Strips: &Strips{Rows: []Strip{{Name: "Mon", States: []Stage{{0, 24, "unobserved"}}}}}},
		"a bar":    {Bars: &Bars{Parts: []string{"p"}, Bars: []Bar{{Name: "a", Values: Values{0}}}}},
		"a cell":   {Heat: &Heat{Columns: []string{"0"}, Rows: []string{"Mon"}, Cells: []Values{{0}}}},
		"unread":   {Plant: &Plant{Machines: []PlantPart{{Name: "comp1"}}}},
		"one read": {Plant: &Plant{Unit: "bar", Machines: []PlantPart{{Name: "comp1", Pressure: 7}}}},
	} {
		r := &recorder{}
		paintChart(r, c, 300)
		for _, text := range r.texts {
			if text.s == "nothing to draw" {
				t.Errorf("%s: is not drawn", name)
			}
		}
		if len(r.shapes) == 0 {
			t.Errorf("%s: nothing is drawn", name)
		}
	}
}
