package display

import "testing"

// TestRoundedNought: a value that rounds to nought from below has no sign, to tens neither.
func TestRoundedNought(t *testing.T) {
	for decimals, want := range map[int]string{2: "0.00", 0: "0", -1: "0", -2: "0"} {
		if got := Rounded(-0.004, decimals); got != want {
			t.Errorf("-0.004 to %d decimals: %q, want %q", decimals, got, want)
		}
	}
	if got := Rounded(-14, -1); got != "-10" {
		t.Errorf("-14 to tens: %q", got)
	}
}

// A share is never written by a power of ten, which a spreadsheet and a reader take for
// something else.
func TestPerCent(t *testing.T) {
	for _, tt := range []struct {
		share float64
		want  string
	}{
		{0, "0"}, {6.8e-9, "0"}, {0.0000123, "0.0012"}, {0.00052, "0.052"}, {0.0049, "0.49"}, {0.123, "12"}, {0.994, "99"}, {0.996, "100"},
		{0.9999999, "100"}, {1, "100"}, {1.237, "124"}, {12.34, "1230"}, {-0.05, "-5"}, {-1e-9, "0"},
	} {
		if got := PerCent(tt.share); got != tt.want {
			t.Errorf("PerCent(%v) = %q, want %q", tt.share, got, tt.want)
		}
	}
}
