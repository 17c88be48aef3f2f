package sitefile

import (
	"fmt"
	"slices"
	"strings"
	"testing"
)

const twoMachines = `name = "x"
[tariff]
currency = "USD"
energy = [{ price = 0.118 }]
[[machine]]
name = "comp1"
rated_flow = "185 cfm"
motor = { power = "50 hp", poles = 4 }
[[machine]]
name = "comp2"
rated_flow = "90 cfm"
[alarm]
mail_password = "apple"
`

func TestChanges(t *testing.T) {
	edit := func(pairs ...string) string { return strings.NewReplacer(pairs...).Replace(twoMachines) }
	for _, tt := range []struct {
		name, after string
		want        []string
	}{
		{"nothing", twoMachines, nil},
		{"comments, layout and order", "# why\n" + edit(`power = "50 hp", poles = 4`, `poles = 4, power = "50 hp"`, `rated_flow =`, `rated_flow    =`), nil},
		{"a byte order mark", "\ufeff" + twoMachines, nil},
		{"one value", edit("185 cfm", "178 cfm"), []string{`machine comp1 rated_flow "178 cfm", was "185 cfm"`}},
		{"a value inside a table", edit("50 hp", "60 hp"), []string{`machine comp1 motor.power "60 hp", was "50 hp"`}},
		{"a key more", edit("rated_flow = \"90 cfm\"", "rated_flow = \"90 cfm\"\ncontrol = \"load/unload\""),
			[]string{`machine comp2 control added: "load/unload"`}},
		{"a machine less", edit("[[machine]]\nname = \"comp2\"\nrated_flow = \"90 cfm\"\n", ""), []string{"machine comp2 removed"}},
		{"a machine renamed", edit("comp2", "comp3"), []string{"machine comp2 removed", "machine comp3 added"}},
		{"a list", edit("0.118", "0.121"), []string{`tariff energy [{"price":0.121}], was [{"price":0.118}]`}},
		{"a key of the file", edit(`name = "x"`, `name = "y"`), []string{`name "y", was "x"`}},
		{"a password", edit("apple", "pear"), []string{`alarm mail_password (not shown), was (not shown)`}},
	} {
		changes, err := Changes([]byte(twoMachines), []byte(tt.after))
		if err != nil {
			t.Errorf("%s: %v", tt.name, err)
		}
		var got []string
		for _, c := range changes {
			got = append(got, c.String())
		}
		if !slices.Equal(got, tt.want) {
			t.Errorf("%s: got %q, want %q", tt.name, got, tt.want)
		}
	}
	if _, err := Changes([]byte("a = "), []byte(twoMachines)); err == nil || !strings.Contains(err.Error(), "before") {
		t.Errorf("a text that is not TOML: %v", err)
	}
}

// The site file comes first, then each map once.
func TestFilesOfASite(t *testing.T) {
	s := loadJoinery(t)
	var names []string
	for _, f := range s.Files {
		names = append(names, fmt.Sprintf("%s %v", f.Name, f.Map))
		if len(f.Hash) != 64 || len(f.Text) == 0 {
			t.Errorf("%s: hash %q, %d bytes", f.Name, f.Hash, len(f.Text))
		}
	}
	want := []string{"joinery.toml false", "maps/screw-controller.toml true", "maps/power-meter.toml true"}
	if !slices.Equal(names, want) {
		t.Errorf("files %q, want %q", names, want)
	}
}

// A secret is not told in a change, however its key is written and wherever it
// stands; a name that has the word in it is.
func TestChangesTellNoSecret(t *testing.T) {
	before := "[site]\nname = \"Token Lane\"\n"
	after := "Secret = \"hunter\"\n[site]\nname = \"Secret Lane\"\npush = [{ API_Token = \"hunter\" }]\npassWord = \"hunter\"\n"
	changes, err := Changes([]byte(before), []byte(after))
	if err != nil || len(changes) != 4 {
		t.Fatalf("%v %v", changes, err)
	}
	all := ""
	for _, c := range changes {
		all += c.String() + "\n"
	}
	if strings.Contains(all, "hunter") || !strings.Contains(all, "Secret Lane") {
		t.Errorf("told:\n%s", all)
	}
}
