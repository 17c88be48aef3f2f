package outward

import (
	"strconv"
	"strings"
	"unicode/utf8"
)

// Line makes a text one line without controls.
func Line(text string) string { return strings.TrimSpace(strings.Map(Printable, text)) }

// Printable leaves out controls and the marks that turn the direction of writing
// round, too.
func Printable(r rune) rune {
	if r == utf8.RuneError || !strconv.IsPrint(r) {
		return ' '
	}
	return r
}

// Cut shortens a text to at most so many bytes, at a letter's end.
func Cut(text string, most int) string {
	if len(text) <= most {
		return text
	}
	const more = "…"
	end := most - len(more)
	for end > 0 && !utf8.RuneStart(text[end]) {
		end--
	}
	return text[:end] + more
}

// mostSaid is how much of what another side says is kept, in bytes.
const mostSaid = 300

// Without takes secrets out of what another side or a library said, and makes it a
// short line: a server may repeat what it was sent.
func Without(text string, secrets ...string) string {
	for _, s := range secrets {
		if s != "" {
			text = strings.ReplaceAll(text, s, "(secret)")
		}
	}
	return Cut(Line(text), mostSaid)
}
