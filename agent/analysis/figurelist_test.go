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
	if lines := strings.Count(string(text), "\n| `"); lines != len(row.FindAllString(string(text), -1)) {
		t.Errorf("%s: %d rows begin with a figure, %d can be read", page, lines, len(row.FindAllString(string(text), -1)))
	}
}
