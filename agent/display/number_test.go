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
