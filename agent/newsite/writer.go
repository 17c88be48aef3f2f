package newsite

import (
	"fmt"
	"regexp"
	"strings"
	"unicode/utf8"
)

// place is where something of the draft stands in the text.
type place struct {
	line, col int    // from 1, in characters
	field     string // "line.0.port"; of a table "line.0"
}

// writer writes TOML and remembers where each field went.
type writer struct {
	b      strings.Builder
	line   int // of what is written next, from 1
	col    int
	places []place
}

func newWriter() *writer { return &writer{line: 1, col: 1} }

func (w *writer) put(text string) {
	w.b.WriteString(text)
	if n := strings.Count(text, "\n"); n > 0 {
		w.line += n
		w.col, text = 1, text[strings.LastIndexByte(text, '\n')+1:]
	}
	w.col += utf8.RuneCountInString(text)
}

func (w *writer) mark(field string) { w.places = append(w.places, place{w.line, w.col, field}) }

// header begins a table, with an empty line before it.
func (w *writer) header(brackets, field string) {
	w.put("\n")
	w.mark(field)
	w.put(brackets + "\n")
}

// pair is a key with its value as TOML. Where inner is set the value is an inline
// table of it.
type pair struct {
	key, literal string
	inner        []pair
}

func (p pair) empty() bool { return p.literal == "" && len(p.inner) == 0 }

// keep leaves out what was not said.
func keep(all ...pair) []pair {
	var kept []pair
	for _, p := range all {
		if !p.empty() {
			kept = append(kept, p)
		}
	}
	return kept
}

func text(key, value string) pair {
	if value = strings.TrimSpace(value); value == "" {
		return pair{}
	}
	return pair{key: key, literal: quoted(value)}
}

var plainNumber = regexp.MustCompile(`^[+-]?(0|[1-9][0-9]*)(\.[0-9]+)?$`)

// number writes a number as one; what is none goes in quotes, so that the check of
// the site file says so.
func number(key, value string) pair {
	if value = strings.TrimSpace(value); plainNumber.MatchString(value) {
		return pair{key: key, literal: value}
	}
	return text(key, value)
}

func texts(key string, values []string) pair {
	var all []string
	for _, v := range values {
		if v = strings.TrimSpace(v); v != "" {
			all = append(all, quoted(v))
		}
	}
	if len(all) == 0 {
		return pair{}
	}
	return pair{key: key, literal: "[" + strings.Join(all, ", ") + "]"}
}

func table(key string, inner ...pair) pair { return pair{key: key, inner: keep(inner...)} }

// keys writes each pair on its own line; field is the table's.
func (w *writer) keys(field string, all ...pair) {
	for _, p := range keep(all...) {
		w.pair(field, p)
		w.put("\n")
	}
}

func (w *writer) pair(field string, p pair) {
	at := field + "." + p.key
	w.mark(at)
	w.put(bareOrQuoted(p.key) + " = ")
	if len(p.inner) > 0 {
		w.inline(at, p.inner)
		return
	}
	w.put(p.literal)
}

func (w *writer) inline(field string, inner []pair) {
	w.mark(field)
	w.put("{ ")
	for i, p := range inner {
		if i > 0 {
			w.put(", ")
		}
		w.pair(field, p)
	}
	w.put(" }")
}

// rows writes a list of inline tables, one a line; rows with nothing in them are
// left out, and the others keep their numbers.
func (w *writer) rows(field, key string, rows [][]pair) {
	begun := false
	for i, row := range rows {
		if row = keep(row...); len(row) == 0 {
			continue
		}
		if !begun {
			w.mark(field + "." + key)
			w.put(key + " = [\n")
			begun = true
		}
		w.put("  ")
		w.inline(fmt.Sprintf("%s.%s.%d", field, key, i), row)
		w.put(",\n")
	}
	if begun {
		w.put("]\n")
	}
}

var bareKey = regexp.MustCompile(`^[A-Za-z0-9_-]+$`)

func bareOrQuoted(key string) string {
	if bareKey.MatchString(key) {
		return key
	}
	return quoted(key)
}

// quoted writes a basic string of TOML 1.0 (from memory: quotation mark,
// backslash and control characters but tab are escaped).
func quoted(s string) string {
	var b strings.Builder
	b.WriteByte('"')
	for _, r := range strings.ReplaceAll(s, "\r\n", "\n") {
		switch {
		case r == '"' || r == '\\':
			b.WriteByte('\\')
			b.WriteRune(r)
		case r == '\n':
			b.WriteString(`\n`)
		case r < 0x20 || r == 0x7f:
			fmt.Fprintf(&b, `\u%04X`, r)
		default:
			b.WriteRune(r)
		}
	}
	b.WriteByte('"')
	return b.String()
}
