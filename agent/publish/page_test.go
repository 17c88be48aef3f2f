package publish

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// unitOf is what a name's own words say of its unit.
func unitOf(t *testing.T, name string) string {
	t.Helper()
	base := strings.TrimSuffix(name, "_total")
	for _, u := range []struct{ ending, unit string }{
		{"_cubic_meters_per_second", "m³/s"}, {"_cubic_meters", "m³"}, {"_pascals", "Pa"}, {"_celsius", "°C"}, {"_watts", "W"}, {"_joules", "J"},
		{"_timestamp_seconds", "Unix s"}, {"_seconds", "s"}, {"_bytes", "bytes"},
	} {
		if strings.HasSuffix(base, u.ending) {
			return u.unit
		}
	}
	return "1"
}

// pageRows are the rows of the page's table, in the order of the names' list.
func pageRows(t *testing.T) string {
	var rows strings.Builder
	for f := range numFamilies {
		kind := "gauge"
		switch {
		case strings.HasSuffix(f.Name(), "_total"):
			kind = "counter"
		case f == secondsFamily:
			kind = "histogram"
		}
		labels := strings.Join(f.Labels(), ", ")
		fmt.Fprintf(&rows, "| `%s` | %s | %s | %s | %s |\n", f.Name(), labels, kind, unitOf(t, f.Name()), familyTexts[f].help)
	}
	return rows.String()
}

// TestPageHasEveryMetric holds the table of docs/prometheus.md to the list of names
// (-update writes it).
func TestPageHasEveryMetric(t *testing.T) {
	path := filepath.Join("..", "..", "docs", "prometheus.md")
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	const head = "| metric | labels | kind | unit | what it is |\n| --- | --- | --- | --- | --- |\n"
	before, rest, found := strings.Cut(string(text), head)
	if !found {
		t.Fatalf("%s has no table that begins with %q", path, head)
	}
	got, after, _ := strings.Cut(rest, "\n\n")
	got += "\n"
	want := pageRows(t)
	if got == want {
		return
	}
	if *update {
		if err := os.WriteFile(path, []byte(before+head+want+"\n"+after), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	t.Errorf("the table of %s is not the list of metrics: run with -update and read the difference", path)
}
