package sitefile

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// TestNoSpanOfASetting: an accuracy in shares of a span asks for the span of
// what is measured, and not of what is set on the controller.
func TestNoSpanOfASetting(t *testing.T) {
	dir := t.TempDir()
	channel := func(name, role string) string {
		return "\n[[channel]]\nname = \"" + name + "\"\nrole = \"" + role + "\"\ntable = \"input\"\naddress = 0\ntype = \"u16\"\nunit = \"psi\"\n"
	}
	for name, text := range map[string]string{
		"map.toml": "name = \"m\"\nprotocol = \"modbus\"\naddressing = \"zero-based\"\n" + channel("p", "discharge_pressure") + channel("low", "cut_in_setting") + channel("high", "cut_out_setting"),
		"site.toml": "[site]\nname = \"s\"\ntimezone = \"UTC\"\n\n[[line]]\nname = \"l\"\nkind = \"modbus-tcp\"\naddress = \"127.0.0.1:1\"\n\n" +
			"[[device]]\nname = \"d\"\nline = \"l\"\nunit = 1\nmap = \"map.toml\"\ninstrument = { accuracy = { pressure = \"1 % of span\" } }\n",
	} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	site, err := Load(filepath.Join(dir, "site.toml"), Options{})
	if err != nil {
		t.Fatal(err)
	}
	var told []string
	for _, w := range site.Warnings {
		if strings.Contains(w.Error(), "needs the span") {
			told = append(told, w.Error())
		}
	}
	if len(told) != 1 || !strings.Contains(told[0], "d.p,") {
		t.Errorf("warnings of a span: %q, want one, of d.p", told)
	}
}
