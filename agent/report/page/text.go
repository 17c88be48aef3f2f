package page

import (
	"html"
	"regexp"
	"strings"
	"unicode"
	"unicode/utf8"
)

// clean makes text of anything: what is no character, what controls a terminal, and
// what would turn the direction of the text after it becomes U+FFFD, which is seen.
func clean(s string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case r == '\n' || r == '\t':
			return r
		case r == '\u2028' || r == '\u2029':
			return '\n'
		case r == utf8.RuneError, unicode.IsControl(r), r&0xFFFE == 0xFFFE, r >= 0xFDD0 && r <= 0xFDEF,
			r >= '\u202A' && r <= '\u202E', r >= '\u2066' && r <= '\u2069': // embeddings, overrides, isolates
			return '\uFFFD'
		}
		return r
	}, s)
}

// escape is text for an attribute or an element without bdi, as title.
func escape(s string) string { return html.EscapeString(clean(s)) }

// prose is text for an element: stretches that run from right to left are isolated, so
// that a number after such a name stays where it was written.
func prose(s string) string {
	s = clean(s)
	if strings.IndexFunc(s, rightToLeft) < 0 {
		return breakable(s)
	}
	var b strings.Builder
	for s != "" {
		start := strings.IndexFunc(s, rightToLeft)
		if start < 0 {
			break
		}
		end := stretch(s[start:]) + start
		b.WriteString(breakable(s[:start]) + "<bdi>" + breakable(s[start:end]) + "</bdi>")
		s = s[end:]
	}
	b.WriteString(breakable(s))
	return b.String()
}

// breakable escapes text; a channel's name may break behind its dots and low lines, or
// a narrow column would cut it anywhere.
func breakable(s string) string {
	text := html.EscapeString(s)
	if !strings.ContainsAny(s, "._/") {
		return text
	}
	return inName.ReplaceAllStringFunc(text, func(name string) string {
		if len(name) < longWord/2 {
			return name
		}
		return marks.ReplaceAllString(name, "$0<wbr/>")
	})
}

// inName is a word of parts, such as controller.discharge_pressure; marks are what they
// are joined by.
var (
	inName = regexp.MustCompile(`[\pL\pN]+(?:[._/]+[\pL\pN]+)+`)
	marks  = regexp.MustCompile(`[._/]+`)
)

// stretch is how far what begins from right to left goes on: to its last such letter
// before a letter that runs the other way.
func stretch(s string) (end int) {
	for i, r := range s {
		switch {
		case rightToLeft(r):
			end = i + utf8.RuneLen(r)
		case unicode.IsLetter(r):
			return end
		}
	}
	return end
}

// rightToLeft reports the blocks of letters that Unicode sets from right to left
// (Unicode Standard Annex 9, bidi classes R and AL), and their marks.
func rightToLeft(r rune) bool {
	return r >= 0x590 && r <= 0x8FF || r == 0x200F || r >= 0xFB1D && r <= 0xFDFF || r >= 0xFE70 && r <= 0xFEFE ||
		r >= 0x10800 && r <= 0x10FFF || r >= 0x1E800 && r <= 0x1EFFF
}

// cssString is text as a string of a style sheet: all but plain letters as their code,
// so that it ends neither the string nor the sheet (CSS Syntax Module Level 3, 4.3.7).
func cssString(s string) string {
	var b strings.Builder
	b.WriteByte('"')
	for _, r := range clean(s) {
		if r == ' ' || r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' {
			b.WriteRune(r)
			continue
		}
		b.WriteString(`\` + strings.ToUpper(hex(r)) + " ")
	}
	b.WriteByte('"')
	return b.String()
}

// short is s with no more than so many characters.
func short(s string, most int) string {
	all := []rune(s)
	if len(all) <= most {
		return s
	}
	return strings.TrimSpace(string(all[:most-1])) + "…"
}
