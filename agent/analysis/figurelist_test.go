package analysis

import (
	"os"
	"regexp"
	"strings"
	"testing"
)

// TestFigureListInDocs holds docs/figures.md to the names of the contract, and
// to which of them a machine or a system has.
func TestFigureListInDocs(t *testing.T) {
	const page = "../../docs/figures.md"
	text, err := os.ReadFile(page)
	if err != nil {
		t.Fatal(err)
	}
	row := regexp.MustCompile("(?m)^\\| (`[^|]+`) \\| (M|S|MS) \\| [^|]+ \\| ([^|]+) \\|$")
	name := regexp.MustCompile("`([a-z0-9_]+)`")
	listed := map[string]string{}
	for _, r := range row.FindAllStringSubmatch(string(text), -1) {
		for _, n := range name.FindAllStringSubmatch(r[1], -1) {
			if _, twice := listed[n[1]]; twice {
				t.Errorf("%s has %s twice", page, n[1])
			}
			listed[n[1]] = r[2]
		}
	}
	for _, n := range figureNames() {
		want := ""
		if !systemOnly(n) {
			want += "M"
		}
		if !machineOnly(n) {
			want += "S"
		}
		if got, ok := listed[n]; !ok {
			t.Errorf("%s lacks %s: add a row for it", page, n)
		} else if got != want {
			t.Errorf("%s: %s is of %q, want %q", page, n, got, want)
		}
		delete(listed, n)
	}
	for n := range listed {
		t.Errorf("%s has %s, which is no figure", page, n)
	}
	// Rows of other tables on the page are TestFigureFormulas' to read.
	_, groups, _ := strings.Cut(string(text), "\n## Time and states\n")
	lines := regexp.MustCompile("(?m)^\\| `[^|]+ \\| [A-Z]+ \\|").FindAllString(groups, -1)
	if len(lines) != len(row.FindAllString(string(text), -1)) {
		t.Errorf("%s: %d rows begin with a figure, %d can be read", page, len(lines), len(row.FindAllString(string(text), -1)))
	}
}

// TestFigureGroups holds the groups that pages show to the heads of docs/figures.md,
// and each figure of the contract to one place in them.
func TestFigureGroups(t *testing.T) {
	text, err := os.ReadFile("../../docs/figures.md")
	if err != nil {
		t.Fatal(err)
	}
	places := map[string]int{}
	rest := string(text)
	for _, g := range FigureGroups() {
		_, section, ok := strings.Cut(rest, "\n## "+g.Title+"\n")
		if !ok {
			t.Fatalf("docs/figures.md has no head %q, or in another order", g.Title)
		}
		rest = section
		section, _, _ = strings.Cut(section, "\n## ")
		at := 0
		for _, f := range g.Figures {
			next := strings.Index(section[at:], "`"+f.Name+"`")
			if next < 0 {
				t.Errorf("%s does not stand under %q, or in another order", f.Name, g.Title)
			}
			at += max(next, 0)
			places[f.Name]++
			if f.Title == "" || strings.Contains(f.Title, "_") {
				t.Errorf("%s is called %q", f.Name, f.Title)
			}
		}
	}
	for _, n := range figureNames() {
		if places[n] != 1 {
			t.Errorf("%s stands in %d groups, want one", n, places[n])
		}
	}
	if len(places) != len(figureNames()) {
		t.Errorf("the groups have %d figures, the contract %d", len(places), len(figureNames()))
	}
}
