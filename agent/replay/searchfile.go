package replay

import (
	"bytes"
	"errors"
	"strings"

	"github.com/pelletier/go-toml/v2"

	"loadscribe/agent/sitefile"
)

// readSearch reads the table [search] of a file of changes; nil where there is none.
// Mistakes become problems of the document.
func readSearch(doc *sitefile.Document) *SearchSpec {
	s, ok := doc.Sub("search")
	if !ok {
		return nil
	}
	spec := &SearchSpec{Set: tableOf(doc, s, "set"), Vary: tableOf(doc, s, "vary"), Price: tableOf(doc, s, "price")}
	if l, ok := s.Sub("limits"); ok {
		number := func(key string) *float64 {
			if !l.Has(key) {
				l.Number(key, 0)
				return nil
			}
			v := l.Number(key, 0)
			return &v
		}
		spec.Limits = SearchLimits{LowestPressure: l.Text("lowest_pressure", ""), StartsPerHour: number("starts_per_hour"),
			CyclesPerHour: number("cycles_per_hour"), BelowMinimum: l.Text("below_minimum", ""), Short: l.Text("short", ""), Budget: number("budget")}
		l.Done()
	}
	s.Done()
	if doc.Err() != nil {
		return spec
	}
	var bad *RequestError
	if _, err := spec.grid(); errors.As(err, &bad) {
		at := placeOf(doc.Section, strings.TrimSuffix(bad.Field, "]"))
		at.Key = bad.Field
		doc.Add(at, "", bad.Message)
	}
	return spec
}

// tableOf is the table search.key as values of any kind: what may stand in it is for
// SearchSpec to say.
func tableOf(doc *sitefile.Document, s sitefile.Section, key string) map[string]any {
	if _, ok := s.Sub(key); !ok {
		return nil
	}
	var file struct {
		Search map[string]any `toml:"search"`
	}
	// The document has been parsed before: what fails here has been reported.
	if toml.Unmarshal(bytes.TrimPrefix(doc.Text, []byte("\ufeff")), &file) != nil {
		return nil
	}
	table, _ := file.Search[key].(map[string]any)
	return table
}

// placeOf is the place of a key in parts, or of as much of it as is written. A part
// may have points itself.
func placeOf(s sitefile.Section, field string) sitefile.Problem {
	for cut := len(field); cut > 0; cut = strings.LastIndexAny(field[:cut], ".[") {
		key, rest := field[:cut], strings.TrimLeft(field[cut:], ".[")
		if !s.Has(key) {
			continue
		}
		at := s.Place(key)
		if rest == "" || strings.HasPrefix(field[cut:], "[") {
			return at
		}
		if sub, ok := s.Sub(key); ok {
			if deeper := placeOf(sub, rest); deeper.Line > 0 {
				return deeper
			}
		}
		return at
	}
	return sitefile.Problem{}
}
