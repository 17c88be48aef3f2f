package sitefile

import (
	"fmt"
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"

	"loadscribe/agent/quantity"
	"loadscribe/agent/scan"
)

// changed is the good site with replacements in the site file.
func changed(t *testing.T, replacements ...string) map[string]string {
	t.Helper()
	files := goodFiles()
	for i := 0; i < len(replacements); i += 2 {
		if !strings.Contains(files[inSite], replacements[i]) {
			t.Fatalf("%q is not in the good file", replacements[i])
		}
		files[inSite] = strings.Replace(files[inSite], replacements[i], replacements[i+1], 1)
	}
	return files
}

func mustLoad(t *testing.T, files map[string]string) *Site {
	t.Helper()
	s, err := load(inSite, Options{}, memory(files))
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// TestReferenceNumbers: 1-based numbers as manuals print them. The first digit
// names the table: 0 coils, 1 discrete inputs, 3 input and 4 holding registers
// (Modbus convention, from memory).
func TestReferenceNumbers(t *testing.T) {
	for text, want := range map[string]string{
		"1": "coil 0", "00001": "coil 0", "9999": "coil 9998", "000001": "coil 0", "065536": "coil 65535",
		"10001": "discrete 0", "19999": "discrete 9998", "100001": "discrete 0", "165536": "discrete 65535",
		"30001": "input 0", "39999": "input 9998", "300001": "input 0", "365536": "input 65535",
		"40001": "holding 0", "40021": "holding 20", "400001": "holding 0", "410000": "holding 9999", "465536": "holding 65535",
		"0": "begin at 1", "000000": "begin at 1", "40000": "begin at 1", "300000": "begin at 1",
		"20001": "in no table", "50001": "in no table", "99999": "in no table", "200001": "in no table",
		"465537": "past the table's end", "065537": "past the table's end", "0400001": "more than six", "99999999999": "not a reference",
		"-40001": "not a reference", "4x0001": "not a reference", "": "not a reference",
	} {
		table, address, err := parseReference(text)
		got := fmt.Sprintf("%s %d", table, address)
		if err != nil {
			got = err.Error()
		}
		if !strings.Contains(got, want) {
			t.Errorf("%q: got %s, want %s", text, got, want)
		}
	}
	files := goodFiles()
	files[inMap] = `addressing = "reference"
[[channel]]
name = "a"
address = 40021
type = "u16"
[[channel]]
name = "b"
table = "coil"
address = "000017"
[[channel]]
name = "c"
address = "365534"
type = "i32"
`
	files = map[string]string{inMap: files[inMap], inSite: "[[line]]\nname='n'\nkind='modbus-tcp'\naddress='h:1'\n[[device]]\nname='d'\nline='n'\nmap='maps/c.toml'\n"}
	var got []string
	for _, c := range mustLoad(t, files).Devices[0].Map.Channels {
		got = append(got, fmt.Sprintf("%s %s %d %s", c.Name, c.Table, c.Address, c.Type))
	}
	if want := []string{"a holding 20 u16", "b coil 16 bit", "c input 65533 i32"}; !reflect.DeepEqual(got, want) {
		t.Errorf("got %q, want %q", got, want)
	}
	files[inMap] = strings.Replace(files[inMap], "365534", "365536", 1)
	if p := problemsIn(t, files)[0]; !strings.Contains(p.Error(), "is 65536, past 65535") {
		t.Errorf("got %v", p)
	}
}

func TestAccuracyTexts(t *testing.T) {
	for _, tt := range []struct {
		text string
		d    quantity.Dimension
		want Accuracy // without Text
	}{
		{"1 % of span", quantity.Pressure, Accuracy{OfSpan: 0.01}},
		{"0.5 %", quantity.Power, Accuracy{OfReading: 0.005}},
		{"±0.5% of reading", quantity.Power, Accuracy{OfReading: 0.005}},
		{"0.2 psi", quantity.Pressure, Accuracy{SI: 0.2 * 6894.757293168}},
		{"0.5 % of reading + 0.25 % of span + 1 kPa", quantity.Pressure, Accuracy{OfReading: 0.005, OfSpan: 0.0025, SI: 1000}},
		{"1.8 °F", quantity.Temperature, Accuracy{SI: 1}},
		{"0 %", quantity.Flow, Accuracy{}},
	} {
		got, err := parseAccuracy(tt.text, tt.d)
		if err != nil || math.Abs(got.OfReading-tt.want.OfReading) > 1e-12 || math.Abs(got.OfSpan-tt.want.OfSpan) > 1e-12 ||
			math.Abs(got.SI-tt.want.SI) > 1e-6 || got.Text != tt.text {
			t.Errorf("%q: got %+v, %v; want %+v", tt.text, got, err, tt.want)
		}
	}
	for _, text := range []string{"", "1", "% of span", "1 % of scale", "-1 %", "101 %", "NaN %", "1 bar", "-1 psi", "1 % +", "1 % of"} {
		if a, err := parseAccuracy(text, quantity.Temperature); err == nil {
			t.Errorf("%q: got %+v, want an error", text, a)
		}
	}
}

// TestRoleFilling: explicit names beat "*"; two of one rank are refused.
func TestRoleFilling(t *testing.T) {
	const star = `channels = { controller = "*" }`
	for _, tt := range []struct{ name, with, role, want string }{
		{"star", star, "power", "controller.power"},
		{"listed", `channels = { controller = ["power"] }`, "power", "controller.power"},
		{"only what is listed", `channels = { controller = ["power"] }`, "loaded", ""},
		{"one text is a list of one", `channels = { controller = "power" }`, "power", "controller.power"},
		{"listed by role", `channels = { controller = ["discharge_pressure"] }`, "discharge_pressure", "controller.pressure"},
		{"a list beats the star", `channels = { controller = "*", inputs = ["power"] }`, "power", "inputs.power"},
		{"whatever comes first", `channels = { inputs = ["power"], controller = "*" }`, "power", "inputs.power"},
		{"the star keeps the rest", `channels = { controller = "*", inputs = ["power"] }`, "loaded", "controller.loaded"},
		{"a role beats the star", star + "\n" + `roles = { power = "inputs.power" }`, "power", "inputs.power"},
		{"a role beats two stars", `channels = { controller = "*", inputs = "*" }` + "\n" +
			`roles = { power = "inputs.power", loaded = "controller.loaded", discharge_pressure = "controller.pressure" }`, "power", "inputs.power"},
		{"the same channel twice is once", `channels = { controller = ["power"] }` + "\n" + `roles = { power = "controller.power" }`, "power", "controller.power"},
		{"a channel with another role", star + "\n" + `roles = { header_pressure = "inputs.pressure" }`, "header_pressure", "inputs.pressure"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			s := mustLoad(t, changed(t, star, tt.with))
			if got := s.Machines[0].Roles[scan.Role(tt.role)]; got != tt.want {
				t.Errorf("role %s: got %q, want %q", tt.role, got, tt.want)
			}
		})
	}
	for _, tt := range []struct{ name, with, says string }{
		{"two stars", `channels = { controller = "*", inputs = "*" }`,
			`role "power" is filled twice, by controller.power and by inputs.power; name the one that is meant: roles = { power = "controller.power" }`},
		{"two lists", `channels = { controller = ["power"], inputs = ["power"] }`, `role "power" is filled twice`},
		{"list and role", `channels = { controller = ["power"] }` + "\n" + `roles = { power = "inputs.power" }`, `role "power" is filled twice`},
	} {
		t.Run(tt.name, func(t *testing.T) {
			if got := problemsIn(t, changed(t, star, tt.with)).Error(); !strings.Contains(got, tt.says) {
				t.Errorf("got %s, want %s", got, tt.says)
			}
		})
	}
}

func TestRatedValues(t *testing.T) {
	const flow = `"185 cfm"`
	// 1 Nm³ is 1.08744001 m³ at 100 kPa and 20 °C (reference table, computed).
	s := mustLoad(t, changed(t, flow, `"6 Nm³/min"`))
	within(t, "6 Nm³/min", s.Machines[0].RatedFlowM3S*60, 6*1.08744001, 1e-6)
	s = mustLoad(t, changed(t, flow, `"6 m³/min(ANR)"`))
	// 65 % of 2338.8 Pa (saturation at 20 °C, handbook, read) of it is vapour.
	within(t, "6 m³/min(ANR)", s.Machines[0].RatedFlowM3S*60, 6*(1-0.65*0.023388), 1e-4)
	// 1 scf of the gas trade is 1.02911972 of the compressed-air trade (reference
	// table, computed).
	trade := mustLoad(t, changed(t, flow, `"185 scfm"`))
	gas := mustLoad(t, changed(t, flow, `"185 scfm"`, "altitude = \"210 m\"", "altitude = \"210 m\"\nscfm = \"14.696 psia, 60 °F\""))
	within(t, "scfm of both trades", gas.Machines[0].RatedFlowM3S/trade.Machines[0].RatedFlowM3S, 1.02911972, 1e-8)
	s = mustLoad(t, changed(t, "altitude = \"210 m\"", "barometer = \"95 kPa\"", flow, flow+"\nrated_pressure = \"800 kPa(a)\""))
	within(t, "800 kPa(a) under 95 kPa", s.Machines[0].RatedPressurePa, 705e3, 1e-6)
	if p := problemsIn(t, changed(t, flow, flow+"\nrated_pressure = \"90 kPa(a)\""))[0]; !strings.Contains(p.Error(), "not above the air outside") {
		t.Errorf("vacuum as rated pressure: got %v", p)
	}
}

func TestWarnings(t *testing.T) {
	if w := mustLoad(t, goodFiles()).Warnings; len(w) != 0 {
		t.Fatalf("the good site has warnings: %v", w)
	}
	for _, tt := range []struct {
		name      string
		old, new  string
		at, words string
	}{
		{"shifts in UTC", "timezone = \"Europe/Berlin\"\n", "", "shifts", "without a timezone"},
		{"idle line", "[[device]]\nname = \"inputs\"", "[[line]]\nname=\"spare\"\nkind=\"modbus-tcp\"\naddress=\"h:1\"\n[[device]]\nname = \"inputs\"", `"spare"`, "has no device"},
		{"unit twice", "name = \"inputs\"\nline = \"net\"\nunit = 2", "name = \"inputs\"\nline = \"bus\"\nunit = 1", "1\nmap = \"maps/c.toml\"\n\n[[machine]]", `is device "controller" already`},
		{"blind machine", `roles = { loaded = "inputs.loaded" }`, `roles = { discharge_pressure = "inputs.pressure" }`, "machine]]\nname = \"comp2\"", "its state cannot be told"},
		{"machine in no system", `["comp1", "comp2"]`, `["comp1"]`, `"comp2"`, "is in no system"},
		{"channel shared", `"inputs.loaded"`, `"controller.loaded"`, `"controller.loaded"`, `fills "loaded" of machine "comp1" too`},
		{"a digit too many", `"185 cfm"`, "\"1850 cfm\"\nrated_pressure = \"125 psi\"\nrated_power = \"37 kW\"", `"1850 cfm"`, "isentropic efficiency of 7.5"},
		{"package beside its motor", `"185 cfm"`, "\"185 cfm\"\nrated_power = \"370 kW\"", `"370 kW"`, "takes 9.9 times the motor's rating"},
		{"bar for psi", `"185 cfm"`, "\"185 cfm\"\nrated_pressure = \"125 bar\"\ncut_out = \"120 psi\"", `"125 bar"`, "unloads at"},
		{"minimum above the band", `"90 psi"`, `"190 psi"`, `"190 psi"`, "is not below"},
		{"flow on another basis", `"185 cfm"`, `"185 scfm"`, `"185 scfm"`, "of free air"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			old := []string{tt.old, tt.new}
			if tt.name == "minimum above the band" { // which must be known of every machine
				old = append(old, `rated_flow = "185 cfm"`, "rated_flow = \"185 cfm\"\ncut_out = \"120 psi\"",
					"name = \"comp2\"\n", "name = \"comp2\"\ncut_out = \"120 psi\"\n")
			}
			files := changed(t, old...)
			warnings := mustLoad(t, files).Warnings
			i := slices.IndexFunc(warnings, func(p Problem) bool { return strings.Contains(p.Error(), tt.words) })
			if i < 0 {
				t.Fatalf("got %v, want %q", warnings, tt.words)
			}
			if got, want := warnings[i], place(t, files[inSite], tt.at); got.Line != want.line || got.Col != want.col {
				t.Errorf("at %d:%d, want %d:%d", got.Line, got.Col, want.line, want.col)
			}
		})
	}
	files := goodFiles()
	files[inMap] = strings.Replace(files[inMap], "valid = [0, 250]\n", "", 1)
	if w := mustLoad(t, files).Warnings; len(w) != 1 || !strings.Contains(w[0].Error(), "needs the span of controller.pressure") {
		t.Errorf("span unknown: got %v", w)
	}
}

func TestFilesFromWindows(t *testing.T) {
	files := goodFiles()
	for name, text := range files {
		files[name] = "\ufeff" + strings.ReplaceAll(text, "\n", "\r\n")
	}
	mustLoad(t, files)
	files[inSite] = strings.Replace(files[inSite], "timezone", "timezome", 1)
	if p := problemsIn(t, files)[0]; p.Line != 3 || p.Col != 1 || p.Mend != `did you mean "timezone"?` {
		t.Errorf("got %v", p)
	}
	files[inSite] = "\xff\xfe[\x00s\x00"
	if p := problemsIn(t, files)[0]; !strings.Contains(p.Error(), "save it as UTF-8") {
		t.Errorf("got %v", p)
	}
	files[inSite] = "[site]\nname = \"\xff\"\n"
	if p := problemsIn(t, files)[0]; p.Line != 2 {
		t.Errorf("got %v", p)
	}
}

func TestColumnsAreCharacters(t *testing.T) {
	files := changed(t, `purge = "15 %" }, { name = "tank"`, `purge = "15 %" }, { name = "Kessel Süd", colour = 1`, `at = "tank"`, `at = "Kessel Süd"`)
	p := problemsIn(t, files)[0]
	if want := place(t, files[inSite], "colour"); p.Col != want.col || p.Line != want.line {
		t.Errorf("got %v, want column %d", p, want.col)
	}
}

func TestLineForms(t *testing.T) {
	const address = `"192.0.2.7:502"`
	for text, want := range map[string]string{
		`"192.0.2.7"`: "192.0.2.7:502", `"meter.example"`: "meter.example:502", `"::1"`: "[::1]:502", `"[::1]:5020"`: "[::1]:5020",
	} {
		if got := mustLoad(t, changed(t, address, text)).Lines[1].Address; got != want {
			t.Errorf("%s: got %q, want %q", text, got, want)
		}
	}
	const tcp = `kind = "modbus-tcp"`
	s := mustLoad(t, changed(t, tcp, "kind = \"modbus-rtu-over-tcp\"\necho = \"on\"\nturnaround = \"5ms\""))
	if l := s.Lines[1]; l.Kind != ModbusRTUOverTCP || l.Echo != EchoOn || l.Turnaround.Milliseconds() != 5 || l.Serial != (Serial{}) {
		t.Errorf("got %+v", l)
	}
	if p := problemsIn(t, changed(t, tcp, `kind = "modbus-rtu-over-tcp"`, `"192.0.2.7:502"`, `"192.0.2.7"`))[0]; p.Key != "line.address" {
		t.Errorf("RTU over TCP has no registered port: got %v", p)
	}
	if p := problemsIn(t, changed(t, tcp, `kind = "modbus-rtu-over-tcp"`, "unit = 2", "unit = 0"))[0]; p.Key != "device.unit" {
		t.Errorf("there is a bus behind RTU over TCP: got %v", p)
	}
	s = mustLoad(t, changed(t, `kind = "modbus-rtu"`, `kind = "modbus-ascii"`, "serial = \"19200 8E1\"\n", ""))
	if l := s.Lines[0]; l.Serial != (Serial{19200, 7, 'E', 1}) {
		t.Errorf("ASCII default: got %+v", l)
	}
	for _, same := range [][2]string{{"COM3", `\\.\com3`}, {"COM12", "com12"}, {"/dev/ttyUSB0", "/dev//ttyUSB0"}} {
		if portKey(same[0]) != portKey(same[1]) {
			t.Errorf("%q and %q are one port", same[0], same[1])
		}
	}
	if portKey("/dev/ttyUSB0") == portKey("/dev/ttyusb0") || portKey("COM1") == portKey("COM11") {
		t.Error("different ports are taken for one")
	}
}

func TestSignedAbsentCodes(t *testing.T) {
	files := goodFiles()
	files[inMap] = strings.Replace(files[inMap], "type = \"u16\"\nscale", "type = \"i16\"\nscale", 1)
	files[inMap] = strings.Replace(files[inMap], "absent = [65535]", "absent = [0x8000, -1, 32767]", 1)
	if got, want := mustLoad(t, files).Devices[0].Map.Channels[0].Absent, []int64{-32768, -1, 32767}; !reflect.DeepEqual(got, want) {
		t.Errorf("got %v, want %v", got, want)
	}
}

// TestEveryRoleHasADimension: a role added to the list must say what it
// measures, or no channel could have it.
func TestEveryRoleHasADimension(t *testing.T) {
	for _, r := range scan.Roles() {
		if len(roleDimensions(r)) == 0 {
			t.Errorf("role %s measures nothing", r)
		}
	}
}
