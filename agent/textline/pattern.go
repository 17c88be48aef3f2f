package textline

import (
	"fmt"
	"regexp"
	"strings"

	"loadscribe/agent/scan"
)

// Field is one named group of a Pattern and what becomes of it.
type Field struct {
	Group string
	// Into is the caller's place for the value.
	Into int
	Form Form
}

// Pattern takes the values out of one text. It is immutable and may be shared.
type Pattern struct {
	expr   *regexp.Regexp
	fields []Field
	groups []int // of the fields
}

// NewPattern makes a Pattern of expr. It fails when expr does not compile or
// lacks the group of a field.
func NewPattern(expr string, fields []Field) (*Pattern, error) {
	if _, err := regexp.Compile(expr); err != nil { // "a)(b" would compile below
		return nil, err
	}
	re, err := regexp.Compile(`\A(?:` + expr + `)\z`)
	if err != nil {
		return nil, err
	}
	p := &Pattern{expr: re, fields: fields, groups: make([]int, len(fields))}
	for i := range fields {
		if p.groups[i] = re.SubexpIndex(fields[i].Group); p.groups[i] < 0 {
			return nil, fmt.Errorf("the pattern has no group %q", fields[i].Group)
		}
	}
	return p, nil
}

// Matches reports whether the pattern matches all of text.
func (p *Pattern) Matches(text string) bool { return p.expr.MatchString(text) }

// Decode calls set for every field with its raw value, if the pattern matches
// all of text, and reports whether it does. A group that took no part in the
// match has no value: Absent.
func (p *Pattern) Decode(text string, set func(into int, raw int64, reason scan.Reason)) bool {
	at := p.expr.FindStringSubmatchIndex(text)
	if at == nil {
		return false
	}
	for i := range p.fields {
		f := &p.fields[i]
		from, to := at[2*p.groups[i]], at[2*p.groups[i]+1]
		if from < 0 {
			set(f.Into, 0, scan.Absent)
			continue
		}
		raw, reason := f.Form.Read(text[from:to])
		set(f.Into, raw, reason)
	}
	return true
}

// characters makes each byte one character, by ISO 8859-1.
func characters(b []byte) string {
	plain := true
	for _, c := range b {
		plain = plain && c < 0x80
	}
	if plain {
		return string(b)
	}
	var s strings.Builder
	for _, c := range b {
		s.WriteRune(rune(c))
	}
	return s.String()
}
