package chart

import (
	"fmt"
	"strings"
	"unicode/utf16"

	"codeberg.org/go-pdf/fpdf"
)

// PDF draws the chart on the current page with its upper left corner at (x, y), all in
// points whatever the document's unit. The family must have been added as a UTF-8 font,
// regular and bold, of the Go fonts, by which texts are measured. Colours, font and line
// are as they were before afterwards, but for the place of the next text.
//
// The chart's words go in as alternate text of marked content; fpdf knows no structure
// tree, so that only some readers find them.
func PDF(pdf *fpdf.Fpdf, c *Chart, x, y, widthPt float64, family string) {
	p := &onPDF{pdf: pdf, x: x, y: y, family: family, k: pdf.GetConversionRatio()}
	before := p.keep()
	pdf.RawWriteStr("/Figure <</Alt <" + utf16Hex(clean(c.Title+". "+c.Summary)) + ">>> BDC")
	paintChart(p, c, widthPt)
	pdf.RawWriteStr("EMC")
	before()
}

// utf16Hex is a text string of PDF (ISO 32000-1, 7.9.2.2: UTF-16BE after a byte order mark).
func utf16Hex(s string) string {
	var b strings.Builder
	b.WriteString("FEFF")
	for _, u := range utf16.Encode([]rune(s)) {
		fmt.Fprintf(&b, "%04X", u)
	}
	return b.String()
}

type onPDF struct {
	pdf    *fpdf.Fpdf
	x, y   float64
	family string
	k      float64 // points in a unit of the document
}

// keep returns what puts the document's pens back as they are now.
func (p *onPDF) keep() func() {
	family, style := p.pdf.GetFontFamily(), p.pdf.GetFontStyle()
	size, _ := p.pdf.GetFontSize()
	line, join, lineCap := p.pdf.GetLineWidth(), p.pdf.GetLineJoinStyle(), p.pdf.GetLineCapStyle()
	dr, dg, db := p.pdf.GetDrawColor()
	fr, fg, fb := p.pdf.GetFillColor()
	tr, tg, tb := p.pdf.GetTextColor()
	x, y := p.pdf.GetXY()
	p.pdf.SetLineJoinStyle("round")
	p.pdf.SetLineCapStyle("butt")
	return func() {
		if family != "" {
			p.pdf.SetFont(family, style, size)
		}
		p.pdf.SetLineWidth(line)
		p.pdf.SetLineJoinStyle(join)
		p.pdf.SetLineCapStyle(lineCap)
		p.pdf.SetDashPattern(nil, 0)
		p.pdf.SetDrawColor(dr, dg, db)
		p.pdf.SetFillColor(fr, fg, fb)
		p.pdf.SetTextColor(tr, tg, tb)
		p.pdf.SetXY(x, y)
	}
}

// rgb are the parts of a colour of the palette.
func rgb(hex string) (r, g, b int) {
	n := func(s string) (v int) {
		for _, c := range s {
			v = v*16 + strings.IndexRune("0123456789abcdef", c)
		}
		return v
	}
	return n(hex[1:3]), n(hex[3:5]), n(hex[5:7])
}

func (p *onPDF) draw(how paint, shapes ...shape) {
	op := ""
	if how.fill != inkNone {
		p.pdf.SetFillColor(rgb(palette[how.fill].light))
		op += "F"
	}
	if how.stroke != inkNone {
		p.pdf.SetDrawColor(rgb(palette[how.stroke].light))
		p.pdf.SetLineWidth(how.width / p.k)
		var lengths []float64
		for _, d := range dashes[how.dash] {
			lengths = append(lengths, d/p.k)
		}
		p.pdf.SetDashPattern(lengths, 0)
		op += "D"
	}
	if op == "" || len(shapes) == 0 {
		return
	}
	if how.wash {
		p.pdf.SetAlpha(how.opacity(), "Normal")
		defer p.pdf.SetAlpha(1, "Normal")
	}
	for _, sh := range shapes {
		for i, at := range sh.points {
			x, y := (p.x+at.x)/p.k, (p.y+at.y)/p.k
			switch {
			case i == 0:
				p.pdf.MoveTo(x, y)
			case len(sh.points) == 2 && at == sh.points[0]: // a dot is a short stroke
				p.pdf.LineTo(x+0.1/p.k, y)
			default:
				p.pdf.LineTo(x, y)
			}
		}
		if sh.closed {
			p.pdf.ClosePath()
		}
	}
	p.pdf.DrawPath(op)
}

func (p *onPDF) text(x, y float64, s string, l letters) {
	style := ""
	if l.bold {
		style = "B"
	}
	s = Shown(s)
	p.pdf.SetFont(p.family, style, l.size)
	p.pdf.SetTextColor(rgb(palette[l.ink].light))
	x, y = (p.x+x)/p.k, (p.y+y)/p.k
	switch l.at {
	case middle:
		x -= p.pdf.GetStringWidth(s) / 2
	case right:
		x -= p.pdf.GetStringWidth(s)
	}
	p.pdf.Text(x, y, s)
}
