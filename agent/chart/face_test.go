package chart

import (
	"maps"
	"math"
	"slices"
	"testing"
)

// The three faces must have the same letters, or Shown would let one through.
func TestFaces(t *testing.T) {
	letters := func(f *Face) []rune { return slices.Sorted(maps.Keys(f.thousandths)) }
	regular := letters(Regular())
	for name, f := range map[string]*Face{"bold": Bold(), "mono": Mono()} {
		if got := letters(f); !slices.Equal(got, regular) {
			for _, r := range regular {
				if !slices.Contains(got, r) {
					t.Logf("%s lacks %q", name, r)
				}
			}
			t.Errorf("%s has %d letters, regular %d", name, len(got), len(regular))
		}
	}
	for _, r := range "±≥≤×÷·–—…°²³µηΔ−→éüñß¢€£¼½" + string(Lacking) {
		if _, has := Regular().thousandths[r]; !has {
			t.Errorf("%q is not in the font", r)
		}
	}
	// The Go fonts have 2,048 units to the em, and their mono letters are 1,229 wide
	// (hmtx of the file); 600 thousandths when rounded.
	if got := Mono().Width("0123456789", 10); math.Abs(got-60) > 1e-9 {
		t.Errorf("ten mono digits at 10 pt are %v pt wide, want 60", got)
	}
}

func TestShown(t *testing.T) {
	for _, c := range []struct{ name, in, want string }{
		{"plain", "5.2 m³/min ± 0.1", "5.2 m³/min ± 0.1"},
		{"empty", "", ""},
		{"Greek and Cyrillic", "Δη Цех", "Δη Цех"},
		{"right to left", "מפעל 2", "□□□□ 2"},
		{"an override of direction", "a\u202eb", "a□b"},
		{"beyond the first plane", "a😀b", "a□b"},
		{"broken", "a\xffb\xe2\x82", "a□b□□"},
		{"the replacement letter itself", "\ufffd", "□"},
		{"controls", "a\x00b\x1bc", "a□b□c"},
		{"lines and tabs", "a\nb\tc\r", "a b c "},
		{"a space that does not break", "5\u00a0kW", "5\u00a0kW"},
	} {
		if got := Shown(c.in); got != c.want {
			t.Errorf("%s: Shown(%q) = %q, want %q", c.name, c.in, got, c.want)
		}
	}
}
