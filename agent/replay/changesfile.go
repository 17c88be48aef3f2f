package replay

import (
	"fmt"

	"loadscribe/agent/sitefile"
)

// Changes is a file of changes.
type Changes struct {
	Alternatives []Alternative
	Search       *SearchSpec // nil: nothing is searched
}

// ReadChanges reads a file of changes: [[alternative]] tables with a name and
// set = { "comp1.cut_in" = "95 psi" }. What the keys and values mean is checked
// where they are tried. The table [search] may stand beside them or alone. The error is of type sitefile.Problems.
func ReadChanges(path string) (Changes, error) {
	doc, err := sitefile.OpenDocument(path, "name an existing file of changes; docs/replay.md shows how one is written")
	if err != nil {
		return Changes{}, err
	}
	return readChanges(doc)
}

// ParseChanges is ReadChanges for a text that has been read.
func ParseChanges(path string, data []byte) (Changes, error) {
	doc, err := sitefile.ParseDocument(path, data)
	if err != nil {
		return Changes{}, err
	}
	return readChanges(doc)
}

func readChanges(doc *sitefile.Document) (Changes, error) {
	var c Changes
	taken := map[string]bool{}
	for n, s := range doc.Subs("alternative") {
		alt := Alternative{Name: s.Text("name", fmt.Sprintf("alternative %d", n+1))}
		if taken[alt.Name] {
			s.Problem("name", "give each its own name", "the name %q is used twice", alt.Name)
		}
		taken[alt.Name] = true
		for _, p := range s.Pairs("set") {
			alt.Set = append(alt.Set, Setting{p.Key, p.Text})
		}
		if len(alt.Set) == 0 {
			s.Problem("set", `write what is changed, like set = { "comp1.cut_in" = "95 psi" }`, "the alternative changes nothing")
		}
		s.Done()
		c.Alternatives = append(c.Alternatives, alt)
	}
	c.Search = readSearch(doc)
	doc.Done()
	if err := doc.Err(); err != nil {
		return Changes{}, err
	}
	return c, nil
}
