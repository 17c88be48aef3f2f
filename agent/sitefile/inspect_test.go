package sitefile

import (
	"strings"
	"testing"
	"time"
)

// TestForPages: what nobody should read is not shown, wherever it stands, and the
// lines keep their numbers.
func TestForPages(t *testing.T) {
	text := "\ufeff[mail]\r\n" +
		"password = \"hunter\"   # of the mail account\r\n" +
		"# old_password = 'hunter'\n" +
		"push = { user = \"x\", api_token = \"hunter\" }\n" +
		"\"Secret\" = \"\"\"\nhunter\nhunter\"\"\"\n" +
		"tokens = [\n \"hunter\",\n]\n" +
		"name = \"kept\" # the password is elsewhere\n"
	got := ForPages([]byte(text))
	if strings.Contains(got, "hunter") {
		t.Errorf("shown:\n%s", got)
	}
	if strings.Count(got, "\n") != strings.Count(text, "\n") {
		t.Errorf("%d lines of %d", strings.Count(got, "\n"), strings.Count(text, "\n"))
	}
	for _, kept := range []string{"[mail]\n", "name = \"kept\" # the password is elsewhere\n", "push = { user = \"x\", api_token = \"(not shown)\""} {
		if !strings.Contains(got, kept) {
			t.Errorf("%q is not in\n%s", kept, got)
		}
	}
	plain := "[site]\nname = \"Harrow Lane Joinery\"\n"
	if got := ForPages([]byte(plain)); got != plain {
		t.Errorf("changed: %q", got)
	}
}

// TestCalibrationPlaces: a warning stands at the line that says the day, of the
// record of a single channel too.
func TestCalibrationPlaces(t *testing.T) {
	site := mustLoad(t, map[string]string{inSite: `
[[line]]
name = "net"
kind = "modbus-tcp"
address = "127.0.0.1:502"
[[device]]
name = "module"
line = "net"
unit = 1
map = "map.toml"
[device.instrument]
serial = "M-1"
calibrated_until = "2025-03-01"
[device.instrument.channels.pressure]
serial = "P-7"
calibrated = "2027-01-01"
`, "map.toml": `
name = "inputs"
[[channel]]
name = "pressure"
role = "receiver_pressure"
table = "input"
address = 0
type = "u16"
unit = "kPa"
[[channel]]
name = "temperature"
role = "oil_temperature"
table = "input"
address = 1
type = "u16"
unit = "K"
`})
	now := time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)
	got := site.CalibrationWarnings(now)
	if len(got) != 2 || got[0].Line != 13 || !strings.Contains(got[0].Message, "module ended on 2025-03-01") ||
		got[1].Line != 16 || !strings.Contains(got[1].Message, "module.pressure is calibrated on 2027-01-01") {
		t.Errorf("got %+v", got)
	}
	if got := site.CalibrationWarnings(time.Date(2025, 3, 1, 12, 0, 0, 0, time.UTC)); len(got) != 1 {
		t.Errorf("on its last day: %+v", got)
	}
	if line, _ := site.LineAt("net"); line != 2 {
		t.Errorf("line net at %d", line)
	}
	if line, col := site.LineAt("other"); line != 0 || col != 0 {
		t.Errorf("a line that is not there at %d:%d", line, col)
	}
}
