package print

// piece is what no page may cut.
type piece struct {
	gap    float64 // white above it, left out at the top of a page
	height float64
	keep   bool // stays on the page of the next one, where both fit on any
	// draw draws it below y; nil: nothing.
	draw func(y float64)
	// dress draws what lies behind it and its gap, as the ground of a box.
	dress func(y, height float64)
	// repeat is set above it where it begins a page, as a table's head.
	repeat *piece
}

// bottom is where the text of a page ends.
func (p *printer) bottom() float64 { return p.height - bottomMargin }

// room is what a whole page has.
func (p *printer) room() float64 { return p.bottom() - topMargin }

// turn begins a page.
func (p *printer) turn() {
	p.pdf.AddPage()
	p.page++
	p.y, p.fresh = topMargin, true
	p.heads = append(p.heads, p.section)
}

// flow sets pieces below one another.
func (p *printer) flow(pieces []piece) {
	for len(pieces) > 0 {
		n := 1
		for n < len(pieces) && pieces[n-1].keep {
			n++
		}
		p.group(pieces[:n])
		pieces = pieces[n:]
	}
}

// group sets pieces that belong together, on the next page where this one has not
// enough room for all; what no page has room for is cut where it must.
func (p *printer) group(pieces []piece) {
	if !p.fits(pieces) && !p.fresh {
		if whole := tall(pieces) + repeated(pieces[0]); whole <= p.room() || p.y > p.bottom()-p.room()/3 {
			p.turnTo(pieces[0])
		}
	}
	for i := range pieces {
		if !p.fresh && !p.fits(pieces[i:i+1]) {
			p.turnTo(pieces[i])
		}
		p.place(pieces[i])
	}
}

// turnTo begins a page with what is repeated above a piece.
func (p *printer) turnTo(first piece) {
	p.turn()
	if first.repeat != nil {
		p.place(*first.repeat)
	}
}

func (p *printer) fits(pieces []piece) bool {
	need := tall(pieces)
	if p.fresh {
		need -= pieces[0].gap
	}
	return p.y+need <= p.bottom()+0.01
}

func (p *printer) place(one piece) {
	gap := one.gap
	if p.fresh {
		gap = 0
	}
	if one.dress != nil {
		one.dress(p.y, gap+one.height)
	}
	p.y += gap
	if one.draw != nil {
		one.draw(p.y)
	}
	p.y += one.height
	p.fresh = false
}

// tall is the height of pieces with the white between and above them.
func tall(pieces []piece) (sum float64) {
	for _, one := range pieces {
		sum += one.gap + one.height
	}
	return sum
}

func repeated(one piece) float64 {
	if one.repeat == nil {
		return 0
	}
	return one.repeat.height
}

// together makes pieces stay on one page.
func together(pieces []piece) []piece {
	for i := range pieces[:max(0, len(pieces)-1)] {
		pieces[i].keep = true
	}
	return pieces
}
