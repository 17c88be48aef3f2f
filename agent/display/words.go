package display

import (
	"regexp"
	"unicode"
	"unicode/utf8"
)

// A channel's id, "meter.power", is a name that is written as it is.
var beginsWithID = regexp.MustCompile(`^[A-Za-z0-9_-]+\.[A-Za-z0-9_-]`)

// Capital returns a text with a capital first letter, as the pages write it; one that
// begins with a channel's id stays as it is.
func Capital(s string) string {
	r, n := utf8.DecodeRuneInString(s)
	if n == 0 || r == utf8.RuneError || beginsWithID.MatchString(s) {
		return s
	}
	return string(unicode.ToUpper(r)) + s[n:]
}
