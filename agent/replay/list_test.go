package replay

import (
	"errors"
	"math"
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
		{"empty", "# none\n", "the list has no machine"},
		{"unloaded", "[[machine]]\nid = \"a\"\nrated_flow = \"100 cfm\"\nrated_pressure = \"125 psi\"\nrated_power = \"20 kW\"\nunloaded_power = \"21 kW\"\n", "not below the rated power"},
	} {
		if _, err := ParseMachines("list.toml", []byte(tt.text)); err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%s: got %v, want %q in it", tt.name, err, tt.want)
		}
	}
}

// TestMachinesOfARequestAreChecked: no file's reader has seen them.
func TestMachinesOfARequestAreChecked(t *testing.T) {
	good := Listed{ID: "a", Control: "load/unload", RatedFlowM3S: 0.05, RatedPressurePa: 8e5, RatedPowerW: 20e3}
	for field, change := range map[string]func(*Listed){
		"":                              func(*Listed) {},
		"machines[1].id":                func(m *Listed) { m.ID = "b" },
		"machines[0].control":           func(m *Listed) { m.Control = "" },
		"machines[0].rated_flow_m3s":    func(m *Listed) { m.RatedFlowM3S = -0.05 },
		"machines[0].rated_pressure_pa": func(m *Listed) { m.RatedPressurePa = 0 },
		"machines[0].rated_power_w":     func(m *Listed) { m.RatedPowerW = math.Inf(1) },
		"machines[0].least_share":       func(m *Listed) { m.LeastShare = 25 },
		"machines[0].unloaded_share":    func(m *Listed) { m.UnloadedShare = 1 },
		"machines[0].starts_per_hour":   func(m *Listed) { m.StartsPerHour = -1 },
	} {
		m, other := good, good
		other.ID = "b"
		change(&m)
		err := checkListed([]Listed{m, other})
		got := ""
		if wrong := (*RequestError)(nil); errors.As(err, &wrong) {
			got = wrong.Field
		}
		if got != field {
			t.Errorf("want an error at %q, got %v", field, err)
		}
	}
}
