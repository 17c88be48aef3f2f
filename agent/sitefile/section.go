package sitefile

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"loadscribe/agent/quantity"
)

// section reads the keys of one table. Every key asked for is a known key;
// done reports those that nobody asked for.
type section struct {
	file  string
	found *findings
	table *table
	name  string // "machine", "machine.motor"; empty at the top of a file
	asked []string
}

// problem reports a mistake at a place.
func (s *section) problem(at position, key, mend, format string, args ...any) {
	s.found.problems = append(s.found.problems, s.at(at, key, mend, fmt.Sprintf(format, args...)))
}

// warn reports what works but is likely not meant.
func (s *section) warn(at position, key, mend, format string, args ...any) {
	s.found.warnings = append(s.found.warnings, s.at(at, key, mend, fmt.Sprintf(format, args...)))
}

func (s *section) at(at position, key, mend, message string) Problem {
	return Problem{File: s.file, Line: at.line, Col: at.col, Key: s.path(key), Message: message, Mend: mend}
}

func (s *section) path(key string) string {
	switch {
	case s.name == "":
		return key
	case key == "":
		return s.name
	}
	return s.name + "." + key
}

// entry returns the key's entry or nil.
func (s *section) entry(key string) *entry {
	s.asked = append(s.asked, key)
	if s.found.asked != nil {
		s.found.asked(s.file, s.path(key))
	}
	return s.table.find(key)
}

// need returns the key's entry, or reports that it is missing.
func (s *section) need(key, mend string) *entry {
	e := s.entry(key)
	if e == nil {
		s.problem(s.table.at, key, mend, "%q is missing", key)
	}
	return e
}

// wrongKind reports a value of another kind than wanted.
func (s *section) wrongKind(v *value, key, wanted, mend string) {
	s.problem(v.at, key, mend, "this is %s, but %s is wanted", v.kind, wanted)
}

// done reports the keys that were not asked for.
func (s *section) done() {
	for _, e := range s.table.entries {
		if slices.Contains(s.asked, e.key) {
			continue
		}
		mend := "known keys here: " + strings.Join(s.known(), ", ")
		if near := quantity.Nearest(e.key, s.asked); near != "" {
			mend = fmt.Sprintf("did you mean %q?", near)
		}
		s.problem(e.at, e.key, mend, "unknown key %q", e.key)
	}
}

func (s *section) known() []string {
	known := slices.Clone(s.asked)
	slices.Sort(known)
	return slices.Compact(known)
}

// text returns a text, or fallback where it is missing or wrong.
func (s *section) text(key, fallback string) string {
	e := s.entry(key)
	if e == nil {
		return fallback
	}
	if e.value.kind != kindText {
		s.wrongKind(e.value, key, kindText.String(), "put it in quotes")
		return fallback
	}
	return e.value.text
}

// choice returns one of the allowed texts.
func (s *section) choice(key, fallback string, allowed ...string) string {
	got := s.text(key, fallback)
	e := s.table.find(key)
	if e == nil || e.value.kind != kindText || slices.Contains(allowed, got) {
		return got
	}
	mend := "write one of " + quotedList(allowed)
	if near := quantity.Nearest(got, allowed); near != "" {
		mend = fmt.Sprintf("did you mean %q? %s", near, mend)
	}
	s.problem(e.value.at, key, mend, "%q is not known", got)
	return fallback
}

func quotedList(texts []string) string {
	quoted := make([]string, len(texts))
	for i, t := range texts {
		quoted[i] = strconv.Quote(t)
	}
	return strings.Join(quoted, ", ")
}

// label returns a required name for people: printable, not empty, no space at
// its ends. Empty if it is missing or wrong.
func (s *section) label(key, mend string) string {
	if s.need(key, mend) == nil {
		return ""
	}
	got := s.text(key, "")
	if got == "" && s.table.find(key).value.kind != kindText {
		return ""
	}
	if got == "" || strings.TrimSpace(got) != got || strings.ContainsFunc(got, func(r rune) bool { return !strconv.IsPrint(r) }) {
		s.problem(s.table.find(key).value.at, key, "write a short name without line breaks or spaces at its ends", "%q is not a name", got)
		return ""
	}
	return got
}

// ident returns a required name that becomes part of a channel id.
func (s *section) ident(key, mend string) string {
	got := s.label(key, mend)
	for _, r := range got {
		if r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '_' || r == '-' {
			continue
		}
		s.problem(s.table.find(key).value.at, key, "use letters a-z, digits, _ and -",
			"%q has %q in it, which a channel id cannot have", got, r)
		return ""
	}
	return got
}

// integer returns a whole number from low to high.
func (s *section) integer(key string, fallback, low, high int64, mend string) int64 {
	e := s.entry(key)
	if e == nil {
		return fallback
	}
	if e.value.kind != kindInteger {
		s.wrongKind(e.value, key, kindInteger.String(), mend)
		return fallback
	}
	if e.value.integer < low || e.value.integer > high {
		s.problem(e.value.at, key, mend, "%d is outside %d to %d", e.value.integer, low, high)
		return fallback
	}
	return e.value.integer
}

// number returns a finite number, written with or without a point.
func (s *section) number(key string, fallback float64) float64 {
	e := s.entry(key)
	if e == nil {
		return fallback
	}
	f, ok := s.finite(e.value, key)
	if !ok {
		return fallback
	}
	return f
}

func (s *section) finite(v *value, key string) (float64, bool) {
	if v.kind != kindFloat && v.kind != kindInteger {
		s.wrongKind(v, key, kindFloat.String(), "write it without quotes and without a unit")
		return 0, false
	}
	if math.IsInf(v.float, 0) || math.IsNaN(v.float) {
		s.problem(v.at, key, "write a plain number", "%s is not a finite number", v.text)
		return 0, false
	}
	return v.float, true
}

// quantity returns a number with its unit; ok is false where it is missing or
// wrong.
func (s *section) quantity(key string, d quantity.Dimension) (q quantity.Quantity, ok bool) {
	e := s.entry(key)
	if e == nil {
		return q, false
	}
	switch e.value.kind {
	case kindText, kindInteger, kindFloat: // a bare number gets ParseDim's words
	default:
		s.wrongKind(e.value, key, d.String()+" in quotes", "")
		return q, false
	}
	q, err := quantity.ParseDim(e.value.text, d)
	if err != nil {
		s.problem(e.value.at, key, "", "%v", err)
		return q, false
	}
	return q, true
}

// positive returns a quantity above zero in SI, or zero.
func (s *section) positive(key string, d quantity.Dimension) float64 {
	q, ok := s.quantity(key, d)
	if !ok {
		return 0
	}
	if q.SI() <= 0 {
		s.problem(s.table.find(key).value.at, key, "write a "+d.String()+" above zero, or leave the key out", "%s is not above zero", q)
		return 0
	}
	return q.SI()
}

// longest is more than any duration that makes sense in a site.
const longest = 10 * 366 * 24 * time.Hour

// duration returns a time from low up.
func (s *section) duration(key string, fallback, low time.Duration, mend string) time.Duration {
	q, ok := s.quantity(key, quantity.Duration)
	if !ok {
		return fallback
	}
	at := s.table.find(key).value.at
	if q.SI() > longest.Seconds() {
		s.problem(at, key, mend, "%s is too long", q)
		return fallback
	}
	d := time.Duration(math.Round(q.SI() * 1e9))
	if d < low {
		s.problem(at, key, mend, "%s is below %v", q, low)
		return fallback
	}
	return d
}

// sub returns a table inside this one, or nil.
func (s *section) sub(key string) *section {
	e := s.entry(key)
	if e == nil {
		return nil
	}
	v := e.value
	if v.kind == kindList && len(v.list) > 0 && v.list[0].kind == kindTable {
		s.problem(e.at, key, fmt.Sprintf("write [%s] with single brackets, once", s.path(key)), "this is a list of tables")
		v = v.list[0]
	}
	if v.kind != kindTable {
		s.wrongKind(v, key, kindTable.String(), fmt.Sprintf("write %s = { … }", key))
		return nil
	}
	return &section{file: s.file, found: s.found, table: v.table, name: s.path(key)}
}

// subs returns a list of tables inside this one.
func (s *section) subs(key string) []*section {
	e := s.entry(key)
	if e == nil {
		return nil
	}
	list := e.value.list
	switch e.value.kind {
	case kindList:
	case kindTable:
		s.problem(e.at, key, fmt.Sprintf("write [[%s]] with double brackets", s.path(key)), "this is a single table")
		list = []*value{e.value}
	default:
		s.wrongKind(e.value, key, "a list of tables", fmt.Sprintf("write %s = [{ … }, { … }]", key))
	}
	var all []*section
	for _, v := range list {
		if v.kind != kindTable {
			s.wrongKind(v, key, kindTable.String(), "write { … }")
			continue
		}
		all = append(all, &section{file: s.file, found: s.found, table: v.table, name: s.path(key)})
	}
	return all
}

// texts returns a list of texts with their places; one text alone is a list of
// one.
func (s *section) texts(key string) []*value {
	e := s.entry(key)
	if e == nil {
		return nil
	}
	if e.value.kind == kindText {
		return []*value{e.value}
	}
	if e.value.kind != kindList {
		s.wrongKind(e.value, key, "a list of texts", `write ["…", "…"]`)
		return nil
	}
	var all []*value
	for _, v := range e.value.list {
		if v.kind != kindText {
			s.wrongKind(v, key, kindText.String(), "put it in quotes")
			continue
		}
		all = append(all, v)
	}
	return all
}

// names remembers where names were first used.
type names map[string]position

// add reports a name that was used before and says whether it is new.
func (n names) add(s *section, key, name string) bool {
	at := s.table.find(key).value.at
	if first, taken := n[name]; taken {
		s.problem(at, key, "give each its own name", "the name %q is used twice, first on line %d", name, first.line)
		return false
	}
	n[name] = at
	return true
}

// known returns the names for a "did you mean".
func (n names) known() []string {
	all := make([]string, 0, len(n))
	for name := range n {
		all = append(all, name)
	}
	slices.Sort(all)
	return all
}

// mend says which names there are, the nearest first.
func (n names) mend(got string) string {
	known := n.known()
	if near := quantity.Nearest(got, known); near != "" {
		return fmt.Sprintf("did you mean %q?", near)
	}
	if len(known) == 0 {
		return "there is none in this file"
	}
	return "there are " + quotedList(known)
}
