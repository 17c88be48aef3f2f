package replay

import (
	"strings"
	"testing"
)

// TestExamplesAreOrdinary holds the list of invented machines to the specific power
// of lubricant-injected screws at about 100 psig, 6.0 to 7.8 kW/(m³/min) in single
// stage (reference.md 1.7, from memory), and more for the 125 psi that they are given
// at: 0.5 % for each psi (DOE Sourcebook, read).
func TestExamplesAreOrdinary(t *testing.T) {
	all, err := Examples()
	if err != nil {
		t.Fatal(err)
	}
	if len(all) < 10 {
		t.Fatalf("%d machines, want a choice", len(all))
	}
	for _, m := range all {
		specific := m.RatedPowerW / 1000 / (m.RatedFlowM3S * 60)
		if specific < 6.0*1.125 || specific > 7.8*1.125 {
			t.Errorf("%s: %.2f kW/(m³/min) at its rated pressure", m.ID, specific)
		}
	}
}

func TestMistakesInAListAreTold(t *testing.T) {
	for _, tt := range []struct{ name, text, want string }{
		{"no flow", "[[machine]]\nid = \"a\"\nrated_pressure = \"125 psi\"\nrated_power = \"37 kW\"\n", "list.toml:1:3: machine.rated_flow: \"rated_flow\" is missing"},
		{"standard flow", "[[machine]]\nid = \"a\"\nrated_flow = \"100 scfm\"\nrated_pressure = \"125 psi\"\nrated_power = \"37 kW\"\n", "list.toml:3:14: machine.rated_flow: 100 scfm is counted in another condition"},
		{"key", "[[machine]]\nid = \"a\"\nrated_flo = \"100 cfm\"\nrated_pressure = \"125 psi\"\nrated_power = \"37 kW\"\n", "did you mean \"rated_flow\""},
		{"twice", strings.Repeat("[[machine]]\nid = \"a\"\nrated_flow = \"100 cfm\"\nrated_pressure = \"125 psi\"\nrated_power = \"20 kW\"\n", 2), "the id \"a\" is used twice"},
		{"unloaded", "[[machine]]\nid = \"a\"\nrated_flow = \"100 cfm\"\nrated_pressure = \"125 psi\"\nrated_power = \"20 kW\"\nunloaded_power = \"21 kW\"\n", "not below the rated power"},
	} {
		if _, err := ParseMachines("list.toml", []byte(tt.text)); err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%s: got %v, want %q in it", tt.name, err, tt.want)
		}
	}
}
