package display

import "testing"

func TestCapital(t *testing.T) {
	for text, want := range map[string]string{
		"": "", "no meter": "No meter", "Ready": "Ready", "ölstand low": "Ölstand low", "\xff": "\xff",
		"meter.power has gaps": "meter.power has gaps", "controller_2.oil": "controller_2.oil",
		"it ended. so be it": "It ended. so be it", "e. g. this": "E. g. this",
	} {
		if got := Capital(text); got != want {
			t.Errorf("Capital(%q) = %q, want %q", text, got, want)
		}
	}
}
