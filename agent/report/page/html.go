package page

import (
	"bytes"
	_ "embed"
	"fmt"
	"strconv"
	"strings"

	"loadscribe/agent/chart"
	"loadscribe/agent/report"
)

//go:embed page.css
var style string

// policy forbids all but the page's own styles (Content Security Policy Level 3).
const policy = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'"

// HTML renders the document. The same document gives the same bytes.
func HTML(doc *report.Document) ([]byte, error) {
	p := &page{ids: map[string]bool{}, links: map[string]string{}}
	sections := make([]string, len(doc.Sections))
	for i := range doc.Sections {
		sections[i] = p.id(doc.Sections[i].ID)
		if _, taken := p.links[doc.Sections[i].ID]; !taken {
			p.links[doc.Sections[i].ID] = sections[i]
		}
	}
	p.head(doc)
	p.contents(doc.Sections, sections)
	p.put(`<main id="report">`, "\n")
	open := 0
	for i := range doc.Sections {
		s := &doc.Sections[i]
		level := 1
		if s.Level > 1 && open > 0 { // one without a section to belong to stands for itself
			level = 2
		}
		for ; open >= level; open-- {
			p.put("</section>\n")
		}
		open++
		p.section(s, sections[i], level)
	}
	for ; open > 0; open-- {
		p.put("</section>\n")
	}
	p.put("</main>\n</body>\n</html>\n")
	return p.out.Bytes(), nil
}

// page is the file as far as it is written.
type page struct {
	out   bytes.Buffer
	ids   map[string]bool   // taken
	links map[string]string // of a section's ID: its id here
}

func (p *page) put(parts ...string) {
	for _, s := range parts {
		p.out.WriteString(s)
	}
}

// id is an id that no other element has, near to what was asked for. Two machines
// whose names differ by a space alone cost nobody the report.
func (p *page) id(wanted string) string {
	plain := strings.Map(func(r rune) rune {
		if r >= 'a' && r <= 'z' || r >= '0' && r <= '9' || r == '-' {
			return r
		}
		return -1
	}, strings.ToLower(wanted))
	if plain == "" || plain[0] < 'a' {
		plain = "part-" + plain
	}
	id := plain
	for n := 2; p.ids[id]; n++ {
		id = plain + "-" + strconv.Itoa(n)
	}
	p.ids[id] = true
	return id
}

func (p *page) head(doc *report.Document) {
	p.ids["report"], p.ids["contents"] = true, true
	p.put("<!DOCTYPE html>\n", `<html lang="en" xmlns="http://www.w3.org/1999/xhtml">`, "\n<head>\n", `<meta charset="utf-8"/>`, "\n",
		`<meta http-equiv="Content-Security-Policy" content="`, escape(policy), `"/>`, "\n",
		`<meta name="viewport" content="width=device-width, initial-scale=1"/>`, "\n",
		`<meta name="color-scheme" content="light dark"/>`, "\n",
		`<meta name="generator" content="`, escape("loadscribe "+doc.Made.Version), `"/>`, "\n",
		"<title>", escape(short(doc.Title, 160)), "</title>\n<style>\n", style)
	p.put("@media screen and (prefers-color-scheme: dark) { :root { ", chart.CSS(true), "--chart-paper: var(--paper); } }\n")
	// What runs at the head of each printed page cannot be known to the sheet.
	fmt.Fprintf(&p.out, "@page { @top-left { content: %s; } }\n@page:first { @top-left { content: none; } }\n", cssString(short(doc.Title, 70)))
	p.put("</style>\n</head>\n<body>\n", `<a class="skip" href="#report">Skip to the report</a>`, "\n",
		"<header>\n<h1>", prose(doc.Title), "</h1>\n</header>\n")
}

// contents lists the sections. Numbers before them are the style's: nothing here is
// counted twice.
func (p *page) contents(all []report.Section, ids []string) {
	if len(all) == 0 {
		return
	}
	p.put(`<nav aria-labelledby="contents">`, "\n", `<h2 id="contents">Contents</h2>`, "\n<ol>\n")
	within := false
	for i := range all {
		switch {
		case all[i].Level > 1 && i > 0:
			if !within {
				p.put("<ol>\n")
			}
			within = true
		case i > 0:
			if within {
				p.put("</ol>")
			}
			p.put("</li>\n")
			within = false
		}
		p.put(`<li><a href="#`, ids[i], `">`, prose(all[i].Title), "</a>")
		if within {
			p.put("</li>\n")
		}
	}
	if within {
		p.put("</ol>")
	}
	p.put("</li>\n</ol>\n</nav>\n")
}

func (p *page) section(s *report.Section, id string, level int) {
	h := "h" + strconv.Itoa(level+1)
	p.put(`<section id="`, id, `">`, "\n<", h, ">", prose(s.Title), "</", h, ">\n")
	for i := range s.Blocks {
		p.block(&s.Blocks[i], id, level+2)
	}
}

func hex(r rune) string { return strconv.FormatInt(int64(r), 16) }
