package main

import (
	"strings"
	"testing"
	"unicode/utf8"
)

// TestWrapped: text is broken and loses no word, columns are kept.
func TestWrapped(t *testing.T) {
	words := strings.TrimSpace(strings.Repeat("a word of some length ", 20))
	for _, line := range []string{
		"short",
		"  note: " + words,
		"  leak_flow     19.5  ± 1.8  cfm  " + words,
		"  leak_flow     19.5  ± 1.8  cfm  at 105 psi, " + strings.Repeat("größer ", 15) + "end",
	} {
		var out strings.Builder
		w := &wrapWriter{out: &out}
		if _, err := w.Write([]byte(line[:len(line)/2])); err != nil {
			t.Fatal(err)
		}
		if _, err := w.Write([]byte(line[len(line)/2:] + "\nnext")); err != nil {
			t.Fatal(err)
		}
		if err := w.Close(); err != nil {
			t.Fatal(err)
		}
		got := out.String()
		for _, l := range strings.Split(got, "\n") {
			if n := utf8.RuneCountInString(l); n > widest {
				t.Errorf("%d columns: %q", n, l)
			}
		}
		if a, z := strings.Join(strings.Fields(got), " "), strings.Join(strings.Fields(line+"\nnext"), " "); a != z {
			t.Errorf("words were changed: %q, want %q", a, z)
		}
		if !strings.HasPrefix(got, line[:min(len(line), 60)]) {
			t.Errorf("columns were broken: %q", got)
		}
	}
	if row := "    " + strings.Repeat("123.4   ", 20); wrapped(row, widest) != row {
		t.Errorf("a row of numbers was broken: %q", wrapped(row, widest))
	}
}
