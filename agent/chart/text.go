package chart

import (
	"strings"
	"unicode"
	"unicode/utf8"
)

// Sizes of letters, pt. None is smaller than what a printed page can be read at
// (7.5 pt: common practice, no source).
const (
	sizeTick = 7.5
	sizeName = 8
	lineStep = 9.6 // from one line of a name to the next
)

// A browser's own letters may be wider than the measured ones: those of DejaVu Sans, the
// widest that one falls back to, are by up to 15 %, bold ones by up to 25 % (measured
// from its files with texts of these pictures).
const (
	slack     = 1.15
	slackBold = 1.25
)

// width is that of a text, pt. Letters that the fonts lack, which a browser takes from
// elsewhere, count as wide as they are high.
func width(s string, l letters) float64 {
	face, slack := Regular(), slack
	if l.bold {
		face, slack = Bold(), slackBold
	}
	sum := 0
	for _, r := range s {
		w, has := face.thousandths[r]
		if !has {
			w = 1000
		}
		sum += w
	}
	return float64(sum) / 1000 * l.size * slack
}

// clean takes out what is no letter: control and direction marks, which could turn
// what stands after them; line ends are spaces.
func clean(s string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case r == '\n' || r == '\t' || r == '\r' || r == '\u00a0':
			return ' '
		case r == unicode.ReplacementChar || unicode.IsControl(r) || unicode.Is(unicode.Cf, r) || r&0xFFFE == 0xFFFE: // the last: no character, which XML refuses
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

// wrap breaks s at spaces, and names of more than the room behind a sign, into lines of
// that room, at most so many; the last is cut.
func wrap(s string, room float64, most int, l letters) (lines []string) {
	for pieces := breakable(cut(s, room*float64(most)*1.5, l), room, l); len(pieces) > 0; {
		n, line := 1, pieces[0]
		for n < len(pieces) && width(strings.TrimRight(line+pieces[n], " "), l) <= room {
			line += pieces[n]
			n++
		}
		if len(lines) == most-1 {
			n, line = len(pieces), strings.Join(pieces, "")
		}
		if line = cut(line, room, l); line != "" {
			lines = append(lines, line)
		}
		if len(lines) >= most {
			break
		}
		pieces = pieces[n:]
	}
	return lines
}

// breakable are the pieces of s behind which a line may end.
func breakable(s string, room float64, l letters) (pieces []string) {
	for _, word := range strings.Fields(s) {
		if width(word, l) > room {
			for i := strings.IndexAny(word, "._-/,"); i >= 0 && i+1 < len(word); i = strings.IndexAny(word, "._-/,") {
				pieces = append(pieces, word[:i+1])
				word = word[i+1:]
			}
		}
		pieces = append(pieces, word+" ")
	}
	return pieces
}
