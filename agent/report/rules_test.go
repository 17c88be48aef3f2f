package report

import (
	"os"
	"regexp"
	"strings"
	"testing"
)

// TestFindingsAreDocumented holds docs/findings.md to the table: each rule with its
// words, limit and basis, in its order, and no other.
func TestFindingsAreDocumented(t *testing.T) {
	text, err := os.ReadFile("../../docs/findings.md")
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, part := range strings.Split(string(text), "\n### ")[1:] {
		name, body, _ := strings.Cut(part, "\n")
		names = append(names, name)
		body = strings.Join(strings.Fields(body), " ")
		for _, r := range Rules() {
			if r.Name != name {
				continue
			}
			for _, want := range []string{r.About, "Fires when " + r.Limit + ".", "Basis: " + r.Basis + "."} {
				if !strings.Contains(body, want) {
					t.Errorf("%s: docs/findings.md lacks %q", name, want)
				}
			}
		}
	}
	var want []string
	known := regexp.MustCompile(`^[a-z]+(-[a-z]+)*$`)
	for _, r := range Rules() {
		want = append(want, r.Name)
		if !known.MatchString(r.Name) || r.About == "" || r.Limit == "" || r.Basis == "" || r.Matters < mattersUpkeep || r.Matters > mattersPeople || r.Fires == nil {
			t.Errorf("rule %+v is not whole", r.Name)
		}
	}
	if got := strings.Join(names, " "); got != strings.Join(want, " ") {
		t.Errorf("docs/findings.md has the rules %s, want %s", got, strings.Join(want, " "))
	}
}
