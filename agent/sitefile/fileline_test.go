package sitefile

import (
	"path/filepath"
	"strings"
	"testing"
	"time"

	"loadscribe/agent/scan"
)

const fileMap = `protocol = "file"
[[channel]]
name = "flow"
role = "flow"
unit = "m³/h"
valid = [0, 900]
[[channel]]
name = "on"
role = "motor_running"
type = "bit"
every = "2s"
`

// fileSite is a site of loggers' files alone.
func fileSite() map[string]string {
	return map[string]string{
		"site.toml": `[[line]]
name = "loggers"
kind = "file"

[[device]]
name = "meter"
line = "loggers"
map = "maps/f.toml"
every = "10s"

[[machine]]
name = "comp1"
control = "load/unload"
rated_flow = "185 cfm"
channels = { meter = "*" }
`,
		"maps/f.toml": fileMap,
	}
}

func TestFileLine(t *testing.T) {
	site, err := load("site.toml", Options{}, memory(fileSite()))
	if err != nil {
		t.Fatal(err)
	}
	if len(site.Warnings) != 0 || site.Polled("meter") {
		t.Errorf("warnings %v, polled %t", site.Warnings, site.Polled("meter"))
	}
	groups := Groups(site)
	if len(groups) != 2 || groups[0].PeriodMS != 10_000 || groups[1].PeriodMS != 2000 {
		t.Fatalf("groups %+v", groups)
	}
	flow, on := groups[0].Channels[0], groups[1].Channels[0]
	if flow.Kind != scan.KindDecimal || flow.Bit || flow.Scale != 1 || flow.Unit != "m³/h" || on.Kind != scan.KindInt || !on.Bit {
		t.Errorf("flow %+v, on %+v", flow, on)
	}
	example, err := Load(filepath.Join(configs, "loggers.toml"), Options{})
	if err != nil {
		t.Fatal(err)
	}
	if d, _ := example.DeviceByName("flow"); d == nil || d.Every != 10*time.Second || example.Machines[0].Roles[scan.Flow] != "flow.flow" {
		t.Errorf("the example: %+v, roles %v", d, example.Machines[0].Roles)
	}
}

func TestFileLineMistakes(t *testing.T) {
	tests := []struct {
		name, file, old, new string
		says                 []string // of the one problem
	}{
		{"a port", "site.toml", "kind = \"file\"\n", "kind = \"file\"\nport = \"COM3\"\n", []string{"site.toml:4:", "line.port", "nothing is opened", "remove it"}},
		{"a timeout", "site.toml", "kind = \"file\"\n", "kind = \"file\"\ntimeout = \"1s\"\n", []string{"line.timeout", "nothing is opened"}},
		{"listening", "site.toml", "kind = \"file\"\n", "kind = \"file\"\nlisten = true\n", []string{"line.listen", "nothing is opened"}},
		{"a kind nearly right", "site.toml", "kind = \"file\"\n", "kind = \"files\"\n", []string{"line.kind", `did you mean "file"?`}},
		{"a unit id", "site.toml", "every = \"10s\"\n", "every = \"10s\"\nunit = 3\n", []string{"device.unit", "no unit id", "remove it"}},
		{"no period", "site.toml", "every = \"10s\"\n", "", []string{"device.every", `"every" is missing`, "how far the rows"}},
		{"a polled map", "maps/f.toml", `protocol = "file"`, `protocol = "text"`, nil},
		{"an address", "maps/f.toml", "role = \"flow\"\n", "role = \"flow\"\naddress = 4\n", []string{"maps/f.toml", "channel.address", "is in no register", "column"}},
		{"a register's type", "maps/f.toml", `type = "bit"`, `type = "u16"`, []string{"channel.type", `write one of "decimal", "bit"`}},
		{"a scale of a bit", "maps/f.toml", `type = "bit"`, "type = \"bit\"\nscale = 2", []string{"channel.scale", "takes none"}},
		{"an unknown key", "maps/f.toml", "role = \"flow\"\n", "role = \"flow\"\ncolum = \"x\"\n", []string{"channel.colum", "unknown key"}},
		{"no channel", "maps/f.toml", fileMap[strings.Index(fileMap, "[[channel]]"):], "", nil},
		{"addressing", "maps/f.toml", `protocol = "file"`, "protocol = \"file\"\naddressing = \"reference\"", []string{"addressing", "unknown key"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			files := fileSite()
			if !strings.Contains(files[tt.file], tt.old) {
				t.Fatalf("%q is not in %s", tt.old, tt.file)
			}
			files[tt.file] = strings.Replace(files[tt.file], tt.old, tt.new, 1)
			problems := problemsIn(t, files)
			if tt.says != nil && len(problems) != 1 {
				t.Fatalf("got %v, want one problem", problems)
			}
			for _, s := range tt.says {
				if !strings.Contains(problems[0].Error(), s) {
					t.Errorf("got %v, want %q in it", problems[0], s)
				}
			}
		})
	}
}

// A map goes with lines of its own protocol only.
func TestFileMapOnOtherLine(t *testing.T) {
	for _, kind := range []string{"modbus-rtu\"\nport = \"COM3", "text\"\nport = \"COM3"} {
		files := fileSite()
		files["site.toml"] = strings.Replace(files["site.toml"], `kind = "file`, `kind = "`+kind, 1)
		problems := problemsIn(t, files)
		if len(problems) != 1 || !strings.Contains(problems[0].Error(), `the map's protocol is "file"`) {
			t.Errorf("%s: %v", kind, problems)
		}
	}
	files := fileSite()
	files["maps/f.toml"] = "[[channel]]\nname = \"flow\"\nrole = \"flow\"\nunit = \"m³/h\"\ntable = \"input\"\naddress = 1\ntype = \"u16\"\n"
	problems := problemsIn(t, files)
	if len(problems) != 1 || !strings.Contains(problems[0].Error(), `line "loggers" is "file", but the map's protocol is "modbus"`) {
		t.Errorf("a Modbus map: %v", problems)
	}
}
