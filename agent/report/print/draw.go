package print

import "loadscribe/agent/chart"

// linkInk is that of words that lead to another section.
var linkInk = [3]int{0x1d, 0x4f, 0x7c} // 8.5 : 1 on white

// say writes words in one style, the line's top at y.
func (p *printer) say(text string, st style, x, y float64) {
	if text == "" {
		return
	}
	p.font(st)
	p.pdf.SetTextColor(int(st.ink), int(st.ink), int(st.ink))
	p.pdf.Text(x, st.base(y), text)
}

// write writes a line.
func (p *printer) write(l line, st style, x, y float64) {
	for _, s := range l.spans {
		of := st
		of.bold = s.bold
		wide := of.width(s.text)
		id, leads := p.links[s.link]
		if s.link == "" || !leads {
			p.say(s.text, of, x, y)
		} else {
			p.font(of)
			p.pdf.SetTextColor(linkInk[0], linkInk[1], linkInk[2])
			p.pdf.Text(x, of.base(y), s.text)
			p.pdf.Link(x, y, wide, st.leading, id)
		}
		x += wide
	}
}

// writeRight writes a line that ends at x.
func (p *printer) writeRight(l line, st style, x, y float64) {
	wide := 0.0
	for _, s := range l.spans {
		wide += st.spanWidth(s)
	}
	p.write(l, st, x-wide, y)
}

// base is the base line of a line whose top is y.
func (s style) base(y float64) float64 { return y + s.leading/2 + s.size*0.36 }

func (p *printer) font(st style) {
	switch {
	case st.mono:
		p.pdf.SetFont(mono, "", st.size)
	case st.bold:
		p.pdf.SetFont(family, "B", st.size)
	default:
		p.pdf.SetFont(family, "", st.size)
	}
}

// ruled draws a level line.
func (p *printer) ruled(x, y, width, weight float64, of ink) {
	p.pdf.SetDashPattern(nil, 0)
	p.pdf.SetLineCapStyle("butt")
	p.pdf.SetDrawColor(int(of), int(of), int(of))
	p.pdf.SetLineWidth(weight)
	p.pdf.Line(x, y, x+width, y)
}

// ground fills an area.
func (p *printer) ground(x, y, width, height float64, of ink) {
	p.pdf.SetFillColor(int(of), int(of), int(of))
	p.pdf.Rect(x, y, width, height, "F")
}

// cut is a text that fits in a width, its end replaced by … where it must be.
func (s style) cut(text string, width float64) string {
	text = chart.Shown(text)
	if s.width(text) <= width {
		return text
	}
	letters := []rune(text)
	for len(letters) > 0 && s.width(string(letters)+"…") > width {
		letters = letters[:len(letters)-1]
	}
	return string(letters) + "…"
}
