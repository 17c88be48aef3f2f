package print

import (
	"strings"

	"loadscribe/agent/report"
)

// Boxes are told apart by their edge and ground before anything else: an answer has a
// ground, a finding a line at its side, a caution a heavy bar, and what is not known a
// broken line. Edges are drawn behind each piece, so that a box may go on overleaf.
type edge struct {
	bar    float64 // its width
	ink    ink
	ground bool
	dashed bool
	word   string // said before its title
}

var edges = map[string]edge{
	report.BoxAnswer:  {ground: true},
	report.BoxFinding: {bar: 1.5, ink: 0x55, word: "Finding"},
	report.BoxCaution: {bar: 5, ink: black, ground: true, word: "Caution"},
	report.BoxGap:     {bar: 1.5, ink: 0x77, dashed: true, word: "Not known"},
}

func (p *printer) box(b *report.Box, in column) []piece {
	of := edges[b.Kind]
	const pad = 11
	inner := column{in.x + of.bar + pad, in.width - of.bar - 2*pad}
	var pieces []piece
	if b.Title != "" {
		pieces = p.paragraph(boxTitle(b), boxHead, inner.measure())
	}
	content := p.blocks(b.Blocks, inner)
	if len(content) > 0 && len(pieces) > 0 {
		content[0].gap = max(content[0].gap, 4)
		pieces[len(pieces)-1].keep = true
	}
	pieces = append(pieces, content...)
	if len(pieces) == 0 {
		return nil
	}
	white := 6.0
	if !of.ground {
		white = 1.5
	}
	// White above and below the words, inside the edge.
	pieces = append([]piece{{height: white, keep: true}}, append(pieces, piece{height: white})...)
	pieces[len(pieces)-2].keep = true
	for i := range pieces {
		pieces[i].dress = p.dress(of, in)
		if r := pieces[i].repeat; r != nil {
			head := *r
			head.dress = pieces[i].dress
			pieces[i].repeat = &head
		}
	}
	if tall(pieces) <= p.room() {
		together(pieces)
	}
	// The white above a box is none of it.
	return append([]piece{{height: 3, keep: true}}, append(pieces, piece{height: 4})...)
}

// boxTitle says what a box is where its title does not.
func boxTitle(b *report.Box) report.Text {
	word := edges[b.Kind].word
	if word == "" || strings.HasPrefix(strings.ToLower(b.Title), strings.ToLower(word)) {
		return report.Text{{Text: b.Title}}
	}
	return report.Text{{Text: word + ": " + b.Title}}
}

// dress draws a box's ground and edge behind one piece of it.
func (p *printer) dress(of edge, in column) func(y, height float64) {
	return func(y, height float64) {
		const lap = 0.3 // so that no hair of white shows between two
		if of.ground {
			p.ground(in.x, y-lap, in.width, height+2*lap, tint)
		}
		if of.bar == 0 {
			return
		}
		p.pdf.SetDrawColor(int(of.ink), int(of.ink), int(of.ink))
		p.pdf.SetLineWidth(of.bar)
		p.pdf.SetLineCapStyle("butt")
		if of.dashed {
			p.pdf.SetDashPattern([]float64{3, 2}, y-lap)
		} else {
			p.pdf.SetDashPattern(nil, 0)
		}
		p.pdf.Line(in.x+of.bar/2, y-lap, in.x+of.bar/2, y+height+lap)
		p.pdf.SetDashPattern(nil, 0)
	}
}
