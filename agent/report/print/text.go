package print

import (
	"strings"

	"loadscribe/agent/chart"
	"loadscribe/agent/report"
)

// style is how a text is set.
type style struct {
	size, leading float64
	bold, mono    bool
	ink           ink
}

// ink is a grey; all but the lightest carry text.
type ink int

const (
	black ink = 0x1c
	grey  ink = 0x55 // 7.5 : 1 on white
	rule  ink = 0xb4
	tint  ink = 0xf3
)

var (
	body    = style{size: 9.5, leading: 13.4, ink: black}
	small   = style{size: 8, leading: 11, ink: grey}
	heading = style{size: 17, leading: 22, ink: black, bold: true}
	subhead = style{size: 11.5, leading: 15.5, ink: black, bold: true}
	boxHead = style{size: 10.5, leading: 14.5, ink: black, bold: true}
	title   = style{size: 25, leading: 31, ink: black, bold: true}
)

func (s style) face() *chart.Face {
	switch {
	case s.mono:
		return chart.Mono()
	case s.bold:
		return chart.Bold()
	}
	return chart.Regular()
}

func (s style) width(text string) float64 { return s.face().Width(text, s.size) }

// strong is the same in bold.
func (s style) strong() style { s.bold = true; return s }

// span is a part of a line in one style.
type span struct {
	text string
	bold bool
	link string // ID of a section
}

// word is what a line may not break.
type word struct {
	spans []span
	width float64
	after bool // a space stands before it
}

// line is what fits beside one another.
type line struct {
	spans []span
	width float64
}

const hardSpace = "\u00a0"

// wordsOf takes a text apart where lines may break. A number stays with its
// uncertainty and unit.
func wordsOf(t report.Text, st style) (all []word) {
	open, spaced := false, false
	for i, run := range t {
		text := chart.Shown(run.Text)
		if run.At != "" {
			lead := len(text) - len(strings.TrimLeft(text, " "))
			text = text[:lead] + strings.ReplaceAll(text[lead:], " ", hardSpace)
		}
		text = plusMinus.Replace(text)
		if i > 0 && t[i-1].At != "" && sticks(run) && strings.HasPrefix(text, " ") {
			text = hardSpace + strings.TrimLeft(text, " ")
		}
		for n, part := range strings.Split(text, " ") {
			if n > 0 {
				open, spaced = false, true
			}
			if part == "" {
				continue
			}
			if !open {
				all = append(all, word{after: spaced && len(all) > 0})
				open, spaced = true, false
			}
			s := span{part, st.bold || run.Strong, run.Link}
			last := &all[len(all)-1]
			last.spans = append(last.spans, s)
			last.width += st.spanWidth(s)
		}
	}
	return all
}

// plusMinus holds an uncertainty to its value, whatever runs they stand in.
var plusMinus = strings.NewReplacer(" ± ", hardSpace+"±"+hardSpace)

// sticks reports what follows a number in the same breath: its uncertainty, or a unit,
// which is one word.
func sticks(run report.Run) bool {
	after := strings.TrimSpace(run.Text)
	if run.At != "" {
		return strings.HasSuffix(run.At, "/uncertainty")
	}
	oneWord := !strings.Contains(after, " ") || strings.Contains(after, "/") && strings.Count(after, " ") == 1 // kW/100 cfm
	return after != "" && len(after) <= 16 && oneWord
}

func (s style) spanWidth(of span) float64 {
	s.bold = of.bold
	return s.width(of.text)
}

// lines sets a text in lines of a width.
func (s style) lines(t report.Text, width float64) (all []line) {
	var now line
	space := s.width(" ")
	width += 0.05 // what adding up may be off
	for _, whole := range wordsOf(t, s) {
		for i, w := range s.fitting(whole, width) {
			if len(now.spans) > 0 && (i > 0 || now.width+space+w.width > width && w.after || now.width+w.width > width) {
				all = append(all, now)
				now = line{}
			}
			now.add(w, w.after && i == 0, space)
		}
	}
	if len(now.spans) > 0 {
		all = append(all, now)
	}
	return all
}

// add puts a word at the end of a line; spans of one style become one.
func (l *line) add(w word, spaced bool, space float64) {
	for i, s := range w.spans {
		if i == 0 && spaced && len(l.spans) > 0 {
			l.width += space
			if last := &l.spans[len(l.spans)-1]; last.link == "" {
				last.text += " "
			} else {
				s.text = " " + s.text
			}
		}
		if n := len(l.spans); n > 0 && l.spans[n-1].bold == s.bold && l.spans[n-1].link == s.link {
			l.spans[n-1].text += s.text
			continue
		}
		l.spans = append(l.spans, s)
	}
	l.width += w.width
}

// fitting is the word, or parts of it that fit in the width: broken at a space that
// should have held, after a mark between the parts of a name, or where it must be.
func (s style) fitting(w word, width float64) []word {
	if w.width <= width {
		return []word{w}
	}
	parts := []word{{after: w.after}}
	for _, of := range w.spans {
		for _, atom := range atoms(of.text) {
			s.put(&parts, span{atom, of.bold, of.link}, width)
		}
	}
	return parts
}

// put adds an atom to the last part, or to a new one where that would be too wide, or
// letter by letter where it is too wide itself.
func (s style) put(parts *[]word, atom span, width float64) {
	last := &(*parts)[len(*parts)-1]
	need := s.spanWidth(atom)
	if need > width && len([]rune(atom.text)) > 1 {
		for _, r := range atom.text {
			s.put(parts, span{string(r), atom.bold, atom.link}, width)
		}
		return
	}
	if last.width+need > width && len(last.spans) > 0 {
		*parts = append(*parts, word{})
		last = &(*parts)[len(*parts)-1]
		atom.text = strings.TrimPrefix(atom.text, hardSpace)
		need = s.spanWidth(atom)
	}
	if n := len(last.spans); n > 0 && last.spans[n-1].bold == atom.bold && last.spans[n-1].link == atom.link {
		last.spans[n-1].text += atom.text
	} else {
		last.spans = append(last.spans, atom)
	}
	last.width += need
}

// atoms cuts before spaces that hold and behind marks that join names.
func atoms(text string) (all []string) {
	from := 0
	for i, r := range text {
		switch {
		case string(r) == hardSpace && i > from:
			all = append(all, text[from:i])
			from = i
		case strings.ContainsRune("/_.-:,=@", r):
			all = append(all, text[from:i+1])
			from = i + 1
		}
	}
	if from < len(text) {
		all = append(all, text[from:])
	}
	return all
}

// widest is the width of a text that is not broken, and of its widest word.
func (s style) widest(t report.Text) (whole, most float64) {
	for _, w := range wordsOf(t, s) {
		if w.after {
			whole += s.width(" ")
		}
		whole += w.width
		most = max(most, w.width)
	}
	return whole, most
}
