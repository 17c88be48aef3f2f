package chart

import (
	"strings"
	"sync"
	"unicode"
	"unicode/utf8"

	"golang.org/x/image/font"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/sfnt"
	"golang.org/x/image/math/fixed"
)

// Sizes of letters, pt. None is smaller than what a printed page can be read at
// (7.5 pt: common practice, no source).
const (
	sizeTick = 7.5
	sizeName = 8
	lineStep = 9.6 // from one line of a name to the next
)

// faces are the regular and the bold letters by which widths are measured: those of
// the PDF. A browser's own sans serif may be wider, hence widthSlack.
var faces = sync.OnceValue(func() (all [2]*sfnt.Font) {
	for i, ttf := range [][]byte{goregular.TTF, gobold.TTF} {
		f, err := sfnt.Parse(ttf)
		if err != nil {
			panic("chart: the font built in: " + err.Error())
		}
		all[i] = f
	}
	return all
})

// widthSlack is by how much letters may be wider than measured: DejaVu Sans, the widest
// that browsers fall back to, is by up to 18 % (measured: TestBrowserLetters).
const widthSlack = 1.18

// width is that of a text, pt.
func width(s string, l letters) float64 {
	f := faces()[0]
	if l.bold {
		f = faces()[1]
	}
	var buf sfnt.Buffer
	em := fixed.Int26_6(f.UnitsPerEm())
	var sum fixed.Int26_6
	for _, r := range s {
		g, err := f.GlyphIndex(&buf, r)
		if err != nil {
			continue
		}
		a, err := f.GlyphAdvance(&buf, g, em<<6, font.HintingNone)
		if err == nil {
			sum += a
		}
	}
	return float64(sum) / 64 / float64(em) * l.size * widthSlack
}

// drawable reports a letter that the PDF's font has.
func drawable(r rune) bool {
	var buf sfnt.Buffer
	g, err := faces()[0].GlyphIndex(&buf, r)
	return err == nil && g != 0
}

// clean takes out what is no letter: control and direction marks, which could turn
// what stands after them; line ends are spaces.
func clean(s string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case r == '\n' || r == '\t' || r == '\r' || r == '\u00a0':
			return ' '
		case r == unicode.ReplacementChar || unicode.IsControl(r) || unicode.Is(unicode.Cf, r):
			return -1
		}
		return r
	}, s)
}

// cut is s, or as much of it as fits with "…" behind; empty where not even that does.
func cut(s string, room float64, l letters) string {
	s = strings.TrimSpace(clean(s))
	if width(s, l) <= room {
		return s
	}
	kept, end := 0, width("…", l)
	for i, r := range s {
		if end += width(string(r), l); end > room {
			break
		}
		kept = i + utf8.RuneLen(r)
	}
	if kept == 0 {
		return ""
	}
	return strings.TrimRight(s[:kept], " ") + "…"
}

// wrap breaks s at spaces into lines of that room, at most so many; the last is cut.
func wrap(s string, room float64, most int, l letters) (lines []string) {
	words := strings.Fields(clean(s))
	for len(words) > 0 {
		n := 1
		for n < len(words) && width(strings.Join(words[:n+1], " "), l) <= room {
			n++
		}
		if len(lines) == most-1 {
			n = len(words)
		}
		if line := cut(strings.Join(words[:n], " "), room, l); line != "" {
			lines = append(lines, line)
		}
		if len(lines) >= most {
			break
		}
		words = words[n:]
	}
	return lines
}
