package print

import (
	"slices"
	"strings"

	"loadscribe/agent/chart"
	"loadscribe/agent/report"
)

// column is where pieces stand: from x, so wide.
type column struct{ x, width float64 }

// measure is the part of it that running text takes.
func (c column) measure() column { return column{c.x, min(c.width, textMeasure)} }

// blocks are the pieces of blocks below one another.
func (p *printer) blocks(all []report.Block, in column) (pieces []piece) {
	for i := range all {
		more := p.block(&all[i], in)
		if len(more) > 0 && len(pieces) > 0 {
			more[0].gap = max(more[0].gap, above(&all[i]))
		}
		// A sentence that leads into a table or picture goes with it.
		if n := len(pieces); n > 0 && len(all[i-1].Text) > 0 && len(more) > 0 && (all[i].List != nil || all[i].Facts != nil || all[i].Table != nil || all[i].Chart != nil || all[i].Plain != "") {
			pieces[n-1].keep = true
		}
		pieces = append(pieces, more...)
	}
	return pieces
}

// above is the white above a block: more above what has a title of its own.
func above(b *report.Block) float64 {
	if b.Table != nil || b.Chart != nil || b.Box != nil {
		return 13
	}
	return 7
}

func (p *printer) block(b *report.Block, in column) []piece {
	switch {
	case len(b.Text) > 0:
		return p.paragraph(b.Text, body, in.measure())
	case len(b.List) > 0:
		return p.list(b.List, in.measure())
	case len(b.Facts) > 0:
		return p.facts(b.Facts, in)
	case b.Table != nil:
		return p.table(b.Table, in)
	case b.Chart != nil:
		return p.picture(b.Chart, in)
	case b.Box != nil:
		return p.box(b.Box, in)
	case b.Plain != "":
		return p.plain(b.Plain, in)
	}
	return nil
}

// paragraph has a piece for each line; no page begins or ends with one line of it.
func (p *printer) paragraph(t report.Text, st style, in column) (pieces []piece) {
	lines := st.lines(t, in.width)
	for i, l := range lines {
		pieces = append(pieces, piece{
			height: st.leading,
			keep:   i == 0 && len(lines) > 1 || i == len(lines)-2,
			draw:   func(y float64) { p.write(l, st, in.x, y) },
		})
	}
	return pieces
}

func (p *printer) list(points []report.Text, in column) (pieces []piece) {
	const indent = 13
	for _, t := range points {
		point := p.paragraph(t, body, column{in.x + indent, in.width - indent})
		if len(point) == 0 {
			continue
		}
		first := point[0].draw
		point[0].draw = func(y float64) {
			p.say("•", body, in.x+2, y)
			first(y)
		}
		if len(pieces) > 0 {
			point[0].gap = 3
		}
		pieces = append(pieces, point...)
	}
	return pieces
}

// facts are names at the left, and what they are beside them.
func (p *printer) facts(facts []report.Fact, in column) (pieces []piece) {
	names := style{size: body.size, leading: body.leading, ink: grey}
	wide := 0.0
	for _, f := range facts {
		wide = max(wide, names.width(chart.Shown(f.Name)))
	}
	wide = min(wide, in.width*0.34)
	right := column{in.x + wide + 14, min(in.width-wide-14, textMeasure-60)}
	for i, f := range facts {
		more := p.rowOf([][]line{names.lines(report.Text{{Text: f.Name}}, wide), body.lines(f.Is, right.width)},
			body.leading, func(cell int, l line, y float64) {
				if cell == 0 {
					p.write(l, names, in.x, y)
				} else {
					p.write(l, body, right.x, y)
				}
			})
		if i > 0 {
			more[0].gap = 2.5
		}
		pieces = append(pieces, more...)
	}
	if tall(pieces) < p.room()/3 {
		together(pieces)
	}
	return pieces
}

// rowOf sets cells beside one another: one piece, cell after cell, so that whoever
// copies the text has it in the order of reading; or several where it is higher than
// half a page.
func (p *printer) rowOf(cells [][]line, leading float64, write func(cell int, l line, y float64)) (pieces []piece) {
	most, fits := 1, int(p.room()/2/leading)
	for _, lines := range cells {
		most = max(most, len(lines))
	}
	for from := 0; from < most; from += fits {
		pieces = append(pieces, piece{height: float64(min(fits, most-from)) * leading, draw: func(y float64) {
			for cell, lines := range cells {
				for k := from; k < min(from+fits, len(lines)); k++ {
					write(cell, lines[k], y+float64(k-from)*leading)
				}
			}
		}})
	}
	return pieces
}

// picture has its title above and what is to be seen in words below: whoever cannot
// make out the one has the other.
func (p *printer) picture(c *chart.Chart, in column) []piece {
	high := chart.Height(c, in.width)
	scale := 1.0
	if most := p.room() - 90; high > most {
		scale = most / high
	}
	pieces := p.paragraph(report.Text{{Text: c.Title, Strong: true}}, body, in)
	pieces = append(pieces, piece{gap: 3, height: high * scale, draw: func(y float64) {
		if scale < 1 {
			p.pdf.TransformBegin()
			defer p.pdf.TransformEnd()
			p.pdf.TransformScale(scale*100, scale*100, in.x, y)
		}
		chart.PDF(p.pdf, c, in.x, y, in.width, family)
	}})
	below := p.paragraph(report.Text{{Text: c.Summary}}, small, in.measure())
	if len(below) > 0 {
		below[0].gap = 2
	}
	return together(append(pieces, below...))
}

// plain keeps its lines, in letters that are smaller where that lets the longest fit:
// much smaller for those of a checkpoint, which no reader but ours would put together
// again. It stays on one page, or what is copied had the foot and head of two in it.
// What is wider still is broken, at a space where there is one.
func (p *printer) plain(text string, in column) (pieces []piece) {
	st := style{size: 8, leading: 11.5, mono: true, ink: black}
	lines := strings.Split(strings.ReplaceAll(strings.TrimRight(text, "\n"), "\t", "    "), "\n")
	widest, least := 0.0, 7.0
	for i := range lines {
		lines[i] = chart.Shown(strings.TrimSuffix(lines[i], "\r"))
		widest = max(widest, st.width(lines[i]))
		if slices.ContainsFunc(strings.Fields(lines[i]), func(word string) bool { return len(word) > 80 }) {
			least = 5
		}
	}
	const edge = 9
	room := in.width - 2*edge
	if scale := room / widest; scale < 1 && scale*st.size >= least {
		st.size *= scale * 0.999
	}
	fits := max(1, int(room/st.width("0")))
	for _, l := range lines {
		for _, part := range broken([]rune(l), fits) {
			pieces = append(pieces, piece{height: st.leading,
				dress: func(y, height float64) { p.ground(in.x, y-0.3, in.width, height+0.6, tint) },
				draw:  func(y float64) { p.say(part, st, in.x+edge, y) }})
		}
	}
	return together(pieces)
}

// broken cuts letters into parts of so many.
func broken(letters []rune, most int) (parts []string) {
	for len(letters) > most {
		n := most
		for k := most; k > most/2; k-- {
			if letters[k] == ' ' {
				n = k
				break
			}
		}
		parts = append(parts, string(letters[:n]))
		letters = []rune(strings.TrimPrefix(string(letters[n:]), " "))
	}
	return append(parts, string(letters))
}
