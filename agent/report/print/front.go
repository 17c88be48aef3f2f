package print

import (
	"fmt"
	"slices"
	"strings"

	"loadscribe/agent/chart"
	"loadscribe/agent/report"
)

// frontPage and all that follows: the title, the first section, the contents, and the
// other sections.
func (p *printer) frontPage() {
	for _, s := range p.doc.Sections {
		p.links[s.ID] = p.pdf.AddLink()
	}
	p.turn()
	in := p.column()
	pieces := p.paragraph(report.Text{{Text: p.doc.Title}}, title, in)
	period := p.paragraph(report.Text{{Text: p.period()}}, style{size: 11, leading: 16, ink: grey}, in)
	period[0].gap = 4
	pieces = append(pieces, append(period, piece{height: 16, draw: func(y float64) { p.ruled(in.x, y+10, in.width, 1.2, black) }})...)
	p.flow(together(pieces))
	rest := p.doc.Sections
	first := 0
	if len(rest) > 0 {
		for first = 1; first < len(rest) && rest[first].Level > 1; first++ {
		}
		p.sections(rest[:first])
	}
	p.listContents(rest)
	p.flow(p.lacking())
	if first < len(rest) {
		if p.page == 1 { // where the contents have gone overleaf no second page is left to them
			p.turn()
		}
		p.sections(rest[first:])
	}
}

func (p *printer) column() column { return column{sideMargin, p.width - 2*sideMargin} }

// sections sets sections. One of level 1 begins a page where it would otherwise begin
// in the last third of one.
func (p *printer) sections(all []report.Section) {
	for i := range all {
		s := &all[i]
		if s.Level <= 1 && !p.fresh && p.y > p.bottom()-p.room()/3 {
			p.turn()
		}
		pieces := p.sectionHead(s)
		heading := len(pieces)
		pieces = append(pieces, p.blocks(s.Blocks, p.column())...)
		// A heading has no less than some lines below it.
		for k := heading; k+1 < len(pieces) && tall(pieces[heading:k+1]) < 3.5*body.leading; k++ {
			pieces[k].keep = true
		}
		p.flow(pieces)
	}
}

// sectionHead is a heading; those of level 1 are numbered. It stays with what it
// heads, and is a bookmark and the place that links lead to.
func (p *printer) sectionHead(s *report.Section) []piece {
	st, gap, after, level, in, number := heading, 26.0, 5.0, 0, p.column(), ""
	if s.Level > 1 {
		st, gap, after, level = subhead, 15, 3, 1
	} else {
		p.parts++
		number = fmt.Sprint(p.parts)
		indent := st.width(number) + 11
		in.x, in.width = in.x+indent, in.width-indent
	}
	pieces := p.paragraph(report.Text{{Text: s.Title}}, st, in)
	if len(pieces) == 0 {
		pieces = []piece{{height: st.leading}}
	}
	pieces[0].gap = gap
	draw := pieces[0].draw
	pieces[0].draw = func(y float64) {
		p.mark(s, number, level, y)
		light := st
		light.ink, light.bold = grey, false
		p.say(number, light, p.column().x, y)
		if draw != nil {
			draw(y)
		}
	}
	pieces = append(pieces, piece{height: after, keep: true})
	return together(pieces)
}

// mark notes where a section begins.
func (p *printer) mark(s *report.Section, number string, level int, y float64) {
	if level == 0 || p.section == "" {
		p.section, level = s.Title, 0
		if p.fresh {
			p.heads[p.page-1] = s.Title
		}
	}
	p.font(body) // a bookmark is in the letters of the font in use
	p.pdf.Bookmark(strings.TrimLeft(number+" "+chart.Shown(s.Title), " "), level, y)
	p.pdf.SetLink(p.links[s.ID], y, p.page)
	if number != "" {
		p.pages = append(p.pages, p.page)
	}
}

// listContents lists the sections of level 1, many of them in two columns; their pages
// are written at the end.
func (p *printer) listContents(all []report.Section) {
	var parts []*report.Section
	for i := range all {
		if all[i].Level <= 1 {
			parts = append(parts, &all[i])
		}
	}
	if len(parts) == 0 {
		return
	}
	const between = 26
	in, columns := p.column(), 1
	wide := float64(textMeasure)
	if len(parts) > 9 {
		columns, wide = 2, (in.width-between)/2
	}
	rows := (len(parts) + columns - 1) / columns
	st := style{size: 9, leading: 15, ink: black}
	titles, high := make([][]line, len(parts)), make([]float64, columns)
	for n, s := range parts {
		titles[n] = st.lines(report.Text{{Text: s.Title}}, wide-44)
		high[n/rows] += float64(max(1, len(titles[n]))) * st.leading
	}
	p.contents = make([]entry, len(parts))
	pieces := p.paragraph(report.Text{{Text: "Contents"}}, subhead, in)
	pieces[0].gap = 22
	pieces = append(pieces, piece{height: 3}, piece{height: slices.Max(high), draw: func(y float64) {
		at := y
		for n, s := range parts {
			if n%rows == 0 {
				at = y
			}
			at = p.listOne(n, s, titles[n], st, in.x+float64(n/rows)*(wide+between), at, wide)
		}
	}})
	p.flow(together(pieces))
}

// listOne writes an entry of the contents, and notes where the number of its page goes.
func (p *printer) listOne(n int, s *report.Section, title []line, st style, x, y, wide float64) (below float64) {
	light := st
	light.ink = grey
	p.say(fmt.Sprint(n+1), light, x, y)
	last := y
	for i, l := range title {
		last = y + float64(i)*st.leading
		p.write(l, st, x+20, last)
	}
	p.pdf.Link(x, y, wide, last+st.leading-y, p.links[s.ID])
	p.ruled(x, last+st.leading-0.4, wide, 0.3, rule)
	p.contents[n] = entry{p.page, x + wide, last}
	return last + st.leading
}

// lacking says what a box among letters stands for, where there is one.
func (p *printer) lacking() []piece {
	if !p.lacks {
		return nil
	}
	pieces := p.paragraph(report.Text{{Text: string(chart.Lacking) + " stands for a letter that the fonts of this file do not have; report.html and report.json have it."}}, small, p.column().measure())
	pieces[0].gap = 12
	return together(pieces)
}

// finish writes what had to wait for the number of pages: heads, feet and the
// contents' numbers.
func (p *printer) finish() {
	pages := p.pdf.PageCount()
	for n := 1; n <= pages; n++ {
		p.pdf.SetPage(n)
		for i, e := range p.contents {
			if e.onPage == n {
				st, number := style{size: 9, leading: 15, ink: black}, fmt.Sprint(p.pages[i])
				p.say(number, st, e.right-st.width(number), e.y)
			}
		}
		if n > 1 {
			p.head(p.heads[n-1])
		}
		p.foot(n, pages)
	}
	p.pdf.SetPage(pages)
}

func (p *printer) head(section string) {
	in, st := p.column(), small
	y := float64(topMargin - 32)
	left, right := headWords(p.doc.Title, section, in.width)
	p.say(left, st, in.x, y)
	p.say(right, st, in.x+in.width-st.width(right), y)
	p.ruled(in.x, y+st.leading+3, in.width, 0.35, rule)
}

// headWords are the report's title and its section's as far as they fit in one line.
func headWords(title, section string, width float64) (left, right string) {
	right = small.cut(section, width/2)
	return small.cut(title, width-small.width(right)-20), right
}

func (p *printer) foot(n, pages int) {
	in, st := p.column(), small
	y := p.height - bottomMargin + 22
	right := fmt.Sprintf("page %d of %d", n, pages)
	p.say(st.cut("Made "+p.when(p.doc.Made.At)+" by loadscribe "+p.doc.Made.Version, in.width-90), st, in.x, y)
	p.say(right, st, in.x+in.width-st.width(right), y)
}
