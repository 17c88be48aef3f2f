package print

import (
	"loadscribe/agent/report"
)

// Sizes that a table's letters may have: the largest at which no word is broken.
var tableSizes = []float64{8.75, 8.25, 7.75, 7.25, 6.75}

const (
	columnGap = 12.0
	rowPad    = 2.4 // above and below the words of a row
)

// grid is a table as it will be set.
type grid struct {
	of     *report.Table
	st     style
	x      []float64 // where columns begin
	widths []float64
	end    float64 // right edge
}

func (p *printer) table(t *report.Table, in column) (pieces []piece) {
	if len(t.Columns) == 0 {
		return nil
	}
	g := layTable(t, in)
	caption := p.paragraph(report.Text{{Text: t.Caption, Strong: true}}, body, in.measure())
	for i := range caption {
		caption[i].keep = true
	}
	head := p.tableHead(g)
	if len(caption) > 0 {
		head.gap = 3
	}
	pieces = append(caption, head)
	again := head
	again.keep = false
	for i := range t.Rows {
		pieces = append(pieces, p.row(g, t.Rows[i], &again, i+1 == len(t.Rows))...)
	}
	switch n := len(pieces); {
	case tall(pieces) < p.room()/3:
		together(pieces)
	case len(t.Rows) > 3: // no page begins or ends with one row
		pieces[n-2].keep = true
		pieces[len(caption)+1].keep = true
	}
	notes := p.notes(t.Notes, in.measure())
	if len(notes) > 0 && len(t.Rows) > 0 {
		pieces[len(pieces)-1].keep = true
	}
	return append(pieces, notes...)
}

// notes stand below a table, on its page where they are few.
func (p *printer) notes(all []report.Text, in column) (pieces []piece) {
	for _, note := range all {
		pieces = append(pieces, p.paragraph(note, small, in)...)
	}
	if len(pieces) > 0 {
		pieces[0].gap = 3
	}
	if len(pieces) < 9 {
		together(pieces)
	}
	return pieces
}

// layTable chooses the size of letters and the widths of columns.
func layTable(t *report.Table, in column) *grid {
	g := &grid{of: t}
	room := in.width - columnGap*float64(len(t.Columns)-1)
	var n needs
	for _, size := range tableSizes {
		g.st = style{size: size, leading: size * 1.36, ink: black}
		n = g.st.needs(t)
		if sum(n.least) <= room {
			break
		}
	}
	g.widths = n.widths(room)
	x := in.x
	for _, w := range g.widths {
		g.x = append(g.x, x)
		x += w + columnGap
	}
	g.end = x - columnGap
	return g
}

// cells are the lines of each cell of a row.
func (g *grid) cells(row []report.Text, st style) (lines [][]line, most int) {
	lines = make([][]line, len(g.widths))
	for i := range min(len(row), len(g.widths)) {
		lines[i] = st.lines(row[i], g.widths[i])
		most = max(most, len(lines[i]))
	}
	return lines, most
}

// tableHead has headings that end on one line, units below them, and a rule.
func (p *printer) tableHead(g *grid) piece {
	row, units := make([]report.Text, len(g.of.Columns)), false
	for i, c := range g.of.Columns {
		row[i] = report.Text{{Text: c.Head}}
		units = units || c.Unit != ""
	}
	st, unit := g.st.strong(), g.st
	unit.ink = grey
	heads, most := g.cells(row, st)
	high := float64(most)*st.leading + 2*rowPad
	if units {
		high += unit.leading
	}
	return piece{height: high, keep: true, draw: func(y float64) {
		for i, lines := range heads {
			top := y + rowPad + float64(most-len(lines))*st.leading
			for n, l := range lines {
				p.cellLine(g, i, l, st, top+float64(n)*st.leading)
			}
			if units {
				for _, l := range unit.lines(report.Text{{Text: g.of.Columns[i].Unit}}, g.widths[i]) {
					p.cellLine(g, i, l, unit, y+rowPad+float64(most)*st.leading)
				}
			}
		}
		p.ruled(g.x[0], y+high-0.4, g.end-g.x[0], 0.8, black)
	}}
}

func (p *printer) cellLine(g *grid, i int, l line, st style, y float64) {
	if g.of.Columns[i].Number {
		p.writeRight(l, st, g.x[i]+g.widths[i], y)
		return
	}
	p.write(l, st, g.x[i], y)
}

// row ends with a rule, heavier below the last.
func (p *printer) row(g *grid, row []report.Text, head *piece, last bool) []piece {
	cells, _ := g.cells(row, g.st)
	pieces := p.rowOf(cells, g.st.leading, func(i int, l line, y float64) { p.cellLine(g, i, l, g.st, y+rowPad) })
	for i := range pieces {
		pieces[i].repeat = head
		pieces[i].height += rowPad
	}
	end := &pieces[len(pieces)-1]
	end.height += rowPad
	draw, high, weight, of := end.draw, end.height, 0.35, rule
	if last {
		weight, of = 0.5, black
	}
	end.draw = func(y float64) {
		draw(y)
		p.ruled(g.x[0], y+high, g.end-g.x[0], weight, of)
	}
	return pieces
}
