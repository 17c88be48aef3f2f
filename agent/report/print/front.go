package print

import (
	"fmt"

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
		p.turn()
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
		pieces = append(pieces, p.blocks(s.Blocks, p.column())...)
		if len(s.Blocks) == 0 {
			pieces[len(pieces)-1].keep = false
		}
		p.flow(pieces)
	}
}

// sectionHead is a heading. It stays with what it heads, and is a bookmark and the
// place that links lead to.
func (p *printer) sectionHead(s *report.Section) []piece {
	st, gap, after, level := heading, 26.0, 5.0, 0
	if s.Level > 1 {
		st, gap, after, level = subhead, 15, 3, 1
	}
	in := p.column()
	pieces := p.paragraph(report.Text{{Text: s.Title}}, st, in)
	if len(pieces) == 0 {
		pieces = []piece{{}}
	}
	pieces[0].gap = gap
	draw := pieces[0].draw
	pieces[0].draw = func(y float64) {
		p.mark(s, level, y)
		if draw != nil {
			draw(y)
		}
	}
	pieces = append(pieces, piece{height: after, keep: true})
	return together(pieces)
}

// mark notes where a section begins.
func (p *printer) mark(s *report.Section, level int, y float64) {
	if level == 0 || p.section == "" {
		p.section, level = s.Title, 0
		if p.fresh {
			p.heads[p.page-1] = s.Title
		}
	}
	p.font(body) // a bookmark is in the letters of the font in use
	p.pdf.Bookmark(chart.Shown(s.Title), level, y)
	p.pdf.SetLink(p.links[s.ID], y, p.page)
	for i := range p.contents {
		if p.contents[i].link == p.links[s.ID] {
			p.contents[i].page = p.page
		}
	}
}

// listContents lists the sections of level 1; their pages are written at the end.
func (p *printer) listContents(all []report.Section) {
	st := style{size: body.size, leading: 15, ink: black}
	in := p.column()
	pieces := p.paragraph(report.Text{{Text: "Contents"}}, subhead, in)
	pieces[0].gap = 20
	pieces = append(pieces, piece{height: 3})
	for i := range all {
		if all[i].Level > 1 {
			continue
		}
		e := entry{title: all[i].Title, link: p.links[all[i].ID], page: 1}
		pieces = append(pieces, piece{height: st.leading, draw: func(y float64) {
			e.onPage, e.right, e.base = p.page, in.x+textMeasure, st.base(y)
			p.contents = append(p.contents, e)
			p.say(st.cut(e.title, textMeasure-40), st, in.x, y)
			p.pdf.Link(in.x, y, textMeasure, st.leading, e.link)
			p.ruled(in.x, y+st.leading-0.5, textMeasure, 0.3, rule)
		}})
	}
	p.flow(together(pieces))
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
		for _, e := range p.contents {
			if e.onPage == n {
				st, number := body, fmt.Sprint(e.page)
				p.say(number, st, e.right-st.width(number), e.base-st.leading/2-st.size*0.36)
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
	right := st.cut(section, in.width/2-10)
	p.say(st.cut(p.doc.Title, in.width/2-10), st, in.x, y)
	p.say(right, st, in.x+in.width-st.width(right), y)
	p.ruled(in.x, y+st.leading+3, in.width, 0.35, rule)
}

func (p *printer) foot(n, pages int) {
	in, st := p.column(), small
	y := p.height - bottomMargin + 22
	right := fmt.Sprintf("page %d of %d", n, pages)
	p.say(st.cut("Made "+p.when(p.doc.Made.At)+" by loadscribe "+p.doc.Made.Version, in.width-90), st, in.x, y)
	p.say(right, st, in.x+in.width-st.width(right), y)
}
