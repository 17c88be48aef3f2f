package analysis

import "testing"

// Two digits of the half width decide where the value ends; nothing is -0.
func TestRounded(t *testing.T) {
	for _, c := range []struct {
		v, half        float64
		value, halfway string
	}{
		{1234.56, 12.3, "1235", "12"}, {0.012345, 0.0012, "0.0123", "0.0012"}, {-3, 130, "0", "130"}, {-7, 130, "-10", "130"},
	} {
		if value, half := Rounded(c.v, c.half); value != c.value || half != c.halfway {
			t.Errorf("%g ± %g: got %s ± %s, want %s ± %s", c.v, c.half, value, half, c.value, c.halfway)
		}
	}
}
