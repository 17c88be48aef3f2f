package sitefile

import (
	"fmt"
	"slices"
	"strings"

	"loadscribe/agent/quantity"
)

// Document is a TOML file of another room, read as strictly as a site file and
// with mistakes told in the same words.
type Document struct {
	Section
	// Text is the file as it was read.
	Text  []byte
	found *findings
}

// OpenDocument reads the TOML file at path. The error is of type Problems.
func OpenDocument(path, mend string) (*Document, error) {
	data, err := readFile(path)
	if err != nil {
		return nil, Problems{unreadable(path, "", position{}, path, err, mend)}
	}
	return ParseDocument(path, data)
}

// ParseDocument reads a TOML text; path is the name that mistakes are told
// under. The error is of type Problems.
func ParseDocument(path string, data []byte) (*Document, error) {
	doc, err := parseDocument(data)
	if err != nil {
		return nil, Problems{syntaxProblem(path, err)}
	}
	found := &findings{files: []string{path}}
	return &Document{Section{&section{file: path, found: found, table: doc}}, data, found}, nil
}

// Err returns all problems that were found, of type Problems, or nil.
func (d *Document) Err() error { return d.found.err() }

// Section is one table of a Document. A key that was asked for is a known key:
// Done reports the others. A value of the wrong kind is reported, and the
// fallback returned.
type Section struct{ s *section }

// Text returns a text.
func (s Section) Text(key, fallback string) string { return s.s.text(key, fallback) }

// Choice returns one of the allowed texts.
func (s Section) Choice(key, fallback string, allowed ...string) string {
	return s.s.choice(key, fallback, allowed...)
}

// Ident returns a required name of letters, digits, _ and -.
func (s Section) Ident(key, mend string) string { return s.s.ident(key, mend) }

// Need returns a required text, which must not be empty.
func (s Section) Need(key, mend string) string {
	e := s.s.need(key, mend)
	if e == nil {
		return ""
	}
	got := s.s.text(key, "")
	if e.value.kind == kindText && strings.TrimSpace(got) == "" {
		s.Problem(key, mend, "%q is empty", key)
	}
	return got
}

// Integer returns a whole number from low to high.
func (s Section) Integer(key string, fallback, low, high int64, mend string) int64 {
	return s.s.integer(key, fallback, low, high, mend)
}

// Bool returns true or false.
func (s Section) Bool(key string, fallback bool) bool {
	if !s.Has(key) {
		s.s.asked = append(s.s.asked, key)
		return fallback
	}
	return s.s.boolean(key)
}

// Texts returns a list of texts; one text alone is a list of one.
func (s Section) Texts(key string) []string {
	var all []string
	for _, v := range s.s.texts(key) {
		all = append(all, v.text)
	}
	return all
}

// Words returns a table of whole numbers by text.
func (s Section) Words(key string) map[string]int64 { return s.s.readWords(key) }

// Positive returns a quantity above zero in SI, or zero where it is not written.
func (s Section) Positive(key string, d quantity.Dimension) float64 { return s.s.positive(key, d) }

// Number returns a finite number.
func (s Section) Number(key string, fallback float64) float64 { return s.s.number(key, fallback) }

// Pair is a key with its text.
type Pair struct {
	Key, Text string
	Place     Problem // with nothing said yet
}

// Pairs returns a table of texts by keys that its reader knows, in the order of the
// file. A key with points may be written in quotes or without: a.b = "…" without
// quotes is a table to TOML, and comes back as "a.b" as well.
func (s Section) Pairs(key string) []Pair {
	inner := s.s.sub(key)
	if inner == nil {
		return nil
	}
	return inner.pairs("")
}

func (s *section) pairs(before string) (all []Pair) {
	for i := range s.table.entries {
		e := &s.table.entries[i]
		switch e.value.kind {
		case kindText:
			all = append(all, Pair{before + e.key, e.value.text, s.at(e.value.at, e.key, "", "")})
		case kindTable:
			inner := &section{file: s.file, found: s.found, table: e.value.table, name: s.path(e.key)}
			all = append(all, inner.pairs(before+e.key+".")...)
		default:
			s.wrongKind(e.value, e.key, kindText.String(), "put it in quotes, with its unit")
		}
	}
	return all
}

// Add reports a mistake at a place that was kept.
func (d *Document) Add(at Problem, mend, message string) {
	at.Message, at.Mend = message, mend
	d.found.problems = append(d.found.problems, at)
}

// Sub returns a table inside this one; ok is false where there is none.
func (s Section) Sub(key string) (sub Section, ok bool) {
	inner := s.s.sub(key)
	return Section{inner}, inner != nil
}

// Subs returns a list of tables inside this one.
func (s Section) Subs(key string) []Section {
	var all []Section
	for _, sub := range s.s.subs(key) {
		all = append(all, Section{sub})
	}
	return all
}

// Has reports whether the key is written.
func (s Section) Has(key string) bool { return s.s.table.find(key) != nil }

// Place returns a problem with the place of a key, or of the table where the
// key is not written, and nothing said yet.
func (s Section) Place(key string) Problem {
	at := s.s.table.at
	if e := s.s.table.find(key); e != nil {
		at = e.value.at
	}
	return s.s.at(at, key, "", "")
}

// Problem reports a mistake in a key's value.
func (s Section) Problem(key, mend, format string, args ...any) {
	p := s.Place(key)
	p.Message, p.Mend = fmt.Sprintf(format, args...), mend
	s.s.found.problems = append(s.s.found.problems, p)
}

// Refuse reports those keys that are written though they mean nothing here.
func (s Section) Refuse(why string, keys ...string) {
	for _, key := range keys {
		if !slices.Contains(s.s.asked, key) {
			s.s.asked = append(s.s.asked, key)
		}
		if s.Has(key) {
			s.Problem(key, "remove it", "%q does not fit: %s", key, why)
		}
	}
}

// Done reports the keys that were not asked for.
func (s Section) Done() { s.s.done() }
