package sitefile

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"loadscribe/agent/quantity"
	"loadscribe/agent/scan"
)

const configs = "../../configs"

// memory reads files from a map instead of the disk.
func memory(files map[string]string) func(string) ([]byte, error) {
	return func(path string) ([]byte, error) {
		text, ok := files[filepath.ToSlash(path)]
		if !ok {
			return nil, &fs.PathError{Op: "open", Path: path, Err: fs.ErrNotExist}
		}
		return []byte(text), nil
	}
}

// TestConfigsLoad loads every file under configs: a map alone, a site with its
// maps, each without a problem and without a warning. Column mappings are
// package intake's, machines and changes for a replay package replay's.
func TestConfigsLoad(t *testing.T) {
	loaded := 0
	err := filepath.WalkDir(configs, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || filepath.Ext(path) != ".toml" || filepath.Base(filepath.Dir(path)) == "imports" || filepath.Base(filepath.Dir(path)) == "replay" {
			return err
		}
		loaded++
		if filepath.Base(filepath.Dir(path)) == "maps" {
			if _, err := LoadMap(path); err != nil {
				t.Errorf("%v", err)
			}
			return nil
		}
		s, err := Load(path, Options{})
		if err != nil {
			t.Errorf("%v", err)
			return nil
		}
		for _, w := range s.Warnings {
			t.Errorf("warning: %v", w)
		}
		return nil
	})
	if err != nil || loaded < 4 {
		t.Fatalf("%d files loaded, %v", loaded, err)
	}
}

func loadJoinery(t *testing.T) *Site {
	t.Helper()
	s, err := Load(filepath.Join(configs, "joinery.toml"), Options{})
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func within(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if d := got - want; d > tolerance || d < -tolerance {
		t.Errorf("%s: got %g, want %g ± %g", what, got, want, tolerance)
	}
}

// TestJoinery checks the example site of the design, value by value, in SI.
// Conversions by hand: 1 psi = 6894.757 Pa, 1 cfm = 4.719474e-4 m³/s,
// 1 gal = 3.785412e-3 m³, 1 hp = 745.6999 W.
func TestJoinery(t *testing.T) {
	s := loadJoinery(t)
	if s.Name != "Harrow Lane Joinery" || s.Location.String() != "America/Chicago" || s.Units != quantity.US || s.WeeksPerYear != 50 {
		t.Errorf("site: %q %v %v %g", s.Name, s.Location, s.Units, s.WeeksPerYear)
	}
	within(t, "barometer", s.BarometerPa, 98825, 10)
	if !filepath.IsAbs(s.Path) || !filepath.IsAbs(s.Agent.DataDir) || filepath.Base(s.Agent.DataDir) != "data" || s.Agent.Listen != "127.0.0.1:8477" {
		t.Errorf("paths: %q %+v", s.Path, s.Agent)
	}
	if tr := s.Tariff; tr.Currency != "USD" || len(tr.Energy) != 2 || tr.Energy[1].PerKWh != 0.171 ||
		len(tr.Energy[1].When) != 1 || len(tr.Demand) != 1 || tr.Demand[0].PerKW != 14.20 || tr.Demand[0].Window != 15*time.Minute || !tr.EmissionsProvided {
		t.Errorf("tariff: %+v", tr)
	}
	within(t, "emissions", s.Tariff.EmissionsKgPerJ*3.6e6, 0.39, 1e-12)
	wantLine := Line{Name: "controller-net", Kind: ModbusTCP, Address: "192.0.2.7:502", Timeout: time.Second, Echo: EchoAuto}
	if len(s.Lines) != 2 || s.Lines[0] != wantLine {
		t.Errorf("lines: %+v", s.Lines)
	}
	if a := s.Devices[0].Instrument.Accuracy["pressure"]; a.OfSpan != 0.01 || a.Text != "1 % of span" {
		t.Errorf("accuracy: %+v", a)
	}
	within(t, "3 °F as a difference", s.Devices[0].Instrument.Accuracy["temperature"].SI, 3/1.8, 1e-9)
	m := s.Machines[0]
	within(t, "rated flow", m.RatedFlowM3S, 185*4.719474e-4, 1e-7)
	within(t, "rated pressure", m.RatedPressurePa, 125*6894.757, 0.1)
	within(t, "cut in", m.CutInPa, 105*6894.757, 0.1)
	within(t, "cut out", m.CutOutPa, 120*6894.757, 0.1)
	within(t, "motor", m.Motor.PowerW, 50*745.6999, 0.01)
	if m.RatedPowerW != 37e3 || m.NoLoadStop != 5*time.Minute || m.LeastBetweenStarts != 6*time.Minute || m.Control != LoadUnload || m.RatedFlowText != "185 cfm" ||
		m.Motor.Poles != 4 || m.Motor.Volts != 460 || m.Motor.Starting != "wye-delta" || m.Motor.StartsPerHour != 6 {
		t.Errorf("machine: %+v", m)
	}
	if want := []ServiceItem{{"oil", 4000, 12}, {"air filter", 2000, 0}}; !reflect.DeepEqual(m.Service, want) {
		t.Errorf("service: got %+v, want %+v", m.Service, want)
	}
	for role, id := range map[scan.Role]string{
		scan.DischargePressure: "controller.discharge_pressure", scan.ReceiverPressure: "controller.receiver_pressure",
		scan.Loaded: "controller.loaded", scan.MotorRunning: "controller.motor_running", scan.Standby: "controller.standby",
		scan.StartCount: "controller.start_count", scan.Power: "meter.power", scan.Energy: "meter.energy", scan.VoltageCA: "meter.voltage_ca",
	} {
		if m.Roles[role] != id {
			t.Errorf("role %s: got %q, want %q", role, m.Roles[role], id)
		}
	}
	sys := &s.Systems[0]
	if sys.Name != "main" || len(sys.Parts) != 3 || len(sys.Taps) != 1 || sys.Taps[0].Pressure != "controller.receiver_pressure" {
		t.Fatalf("system: %+v", sys)
	}
	within(t, "receiver", sys.Parts[1].VolumeM3, 240*3.785412e-3, 1e-6)
	within(t, "minimum pressure", sys.MinimumPressurePa, 90*6894.757, 0.1)
}

// TestRegisterLayout pins the layout that simulator and examples share.
func TestRegisterLayout(t *testing.T) {
	s := loadJoinery(t)
	tests := []struct {
		id        string
		table     Table
		address   uint16
		registers int
		typ       string
		bit       int
		little    bool
		scale     float64
		unit      string
		kind      scan.Kind
		every     time.Duration
	}{
		{"controller.discharge_pressure", Input, 0, 1, "u16", -1, false, 0.1, "psi", scan.KindInt, time.Second},
		{"controller.ambient_temperature", Input, 4, 1, "i16", -1, false, 0.1, "°F", scan.KindInt, time.Second},
		{"controller.loaded_hours", Input, 12, 2, "u32", -1, false, 0.1, "h", scan.KindInt, time.Second},
		{"controller.start_count", Input, 14, 2, "u32", -1, true, 1, "1", scan.KindInt, time.Second},
		{"controller.tripped", Holding, 20, 1, "u16", 4, false, 1, "1", scan.KindInt, time.Second},
		{"controller.no_load_stop_setting", Holding, 32, 1, "u16", -1, false, 1, "s", scan.KindInt, time.Minute},
		{"meter.power", Input, 8, 2, "f32", -1, false, 1, "kW", scan.KindFloat32, time.Second},
		{"meter.energy", Input, 16, 4, "u64", -1, false, 1, "Wh", scan.KindUint, time.Second},
		{"meter.frequency", Input, 20, 1, "u16", -1, false, 0.01, "Hz", scan.KindInt, time.Second},
	}
	for _, tt := range tests {
		_, c, ok := s.Channel(tt.id)
		if !ok {
			t.Errorf("%s: not found", tt.id)
			continue
		}
		if c.Table != tt.table || c.Address != tt.address || c.Registers() != tt.registers || c.Type != tt.typ || c.Bit != tt.bit ||
			c.WordsLittle != tt.little || c.Scale != tt.scale || c.UnitText != tt.unit || c.Kind() != tt.kind || c.Every != tt.every {
			t.Errorf("%s: got %+v", tt.id, c)
		}
	}
	for _, id := range []string{"controller", "controller.nothing", "nobody.power", ".", ""} {
		if _, _, ok := s.Channel(id); ok {
			t.Errorf("%q: found a channel", id)
		}
	}
}

func TestGroups(t *testing.T) {
	s := loadJoinery(t)
	groups := Groups(s)
	var got []string
	total := 0
	for _, g := range groups {
		got = append(got, g.Device+" "+g.Name)
		total += len(g.Channels)
		for i := range g.Channels {
			c := &g.Channels[i]
			_, mc, ok := s.Channel(c.ID())
			if !ok || c.Role != mc.Role || c.Scale != mc.Scale || c.Unit != mc.UnitText || c.Bit != (mc.Bit >= 0) || g.PeriodMS != mc.Every.Milliseconds() {
				t.Errorf("group %s %s, channel %d: %+v does not follow from %+v", g.Device, g.Name, i, c, mc)
			}
		}
	}
	if want := []string{"controller 1s", "controller 60s", "meter 1s"}; !reflect.DeepEqual(got, want) {
		t.Errorf("groups: got %q, want %q", got, want)
	}
	if want := len(s.Devices[0].Map.Channels) + len(s.Devices[1].Map.Channels); total != want {
		t.Errorf("channels in groups: got %d, want %d", total, want)
	}
	for d, want := range map[time.Duration]string{
		250 * time.Millisecond: "250ms", time.Second: "1s", 1500 * time.Millisecond: "1500ms", time.Minute: "60s",
	} {
		if got := periodName(d); got != want {
			t.Errorf("periodName(%v): got %q, want %q", d, got, want)
		}
	}
}

// TestDefaults: a site needs a line and a device; all else has a default.
func TestDefaults(t *testing.T) {
	s, err := load("shop.toml", Options{}, memory(map[string]string{
		"shop.toml": "[[line]]\nname='l'\nkind='modbus-rtu'\nport='COM3'\n[[device]]\nname='d'\nline='l'\nmap='m.toml'\n",
		"m.toml":    "[[channel]]\nname='p'\ntable='input'\naddress=65535\ntype='u16'\n",
	}))
	if err != nil {
		t.Fatal(err)
	}
	if s.Name != "shop" || s.Location != time.UTC || s.Units != quantity.SI || s.BarometerPa != 101325 ||
		s.Agent.Listen != "127.0.0.1:8477" || filepath.Base(s.Agent.DataDir) != "data" || s.Tariff.Currency != "" {
		t.Errorf("site: %+v", s)
	}
	if want := (Line{Name: "l", Kind: ModbusRTU, Port: "COM3", Serial: Serial{19200, 8, 'E', 1}, Timeout: time.Second, Echo: EchoAuto,
		ListenFirst: 2 * time.Second}); s.Lines[0] != want {
		t.Errorf("line: got %+v, want %+v", s.Lines[0], want)
	}
	if s.Agent.KeepRawDays != 0 || s.Agent.Backup != (Backup{}) {
		t.Errorf("agent: %+v; want all readings kept and no schedule", s.Agent)
	}
	d := s.Devices[0]
	if d.UnitID != 1 || d.Every != time.Second || d.Map.Bridge != 8 || d.Map.Channels[0].Scale != 1 || d.Map.Channels[0].Every != time.Second {
		t.Errorf("device: %+v %+v", d, d.Map)
	}
	if offShift(s, time.Now()) {
		t.Error("without shifts nothing is off shift")
	}
}

func TestKeeping(t *testing.T) {
	files := goodFiles()
	files["site.toml"] = strings.Replace(files["site.toml"], "[agent]\n", "[agent]\nkeep_raw = \"400d\"\nbackup = { dir = \"copies\" }\n", 1)
	s, err := load("site.toml", Options{}, memory(files))
	if err != nil {
		t.Fatal(err)
	}
	want := Backup{Dir: filepath.Join(filepath.Dir(s.Agent.DataDir), "copies"), Every: 24 * time.Hour, Keep: 2}
	if s.Agent.KeepRawDays != 400 || s.Agent.Backup != want {
		t.Errorf("got %d days and %+v, want 400 and %+v", s.Agent.KeepRawDays, s.Agent.Backup, want)
	}
}

func TestSignInKeys(t *testing.T) {
	files := goodFiles()
	files["site.toml"] = strings.Replace(files["site.toml"], "[agent]\n",
		"[agent]\nsign_in = \"always\"\nhosts = [\"air.example\", \"192.0.2.7\"]\norigins = [\"https://air.example\"]\ntls = { certificate = \"air.pem\", key = \"air.key\" }\n", 1)
	s, err := load("site.toml", Options{}, memory(files))
	if err != nil {
		t.Fatal(err)
	}
	dir := filepath.Dir(s.Agent.DataDir)
	if want := (TLSFiles{filepath.Join(dir, "air.pem"), filepath.Join(dir, "air.key")}); !s.Agent.SignInAlways || s.Agent.TLS != want ||
		!slices.Equal(s.Agent.Hosts, []string{"air.example", "192.0.2.7"}) || !slices.Equal(s.Agent.Origins, []string{"https://air.example"}) {
		t.Errorf("got %+v", s.Agent)
	}
	if s := mustLoad(t, goodFiles()); s.Agent.SignInAlways || s.Agent.TLS != (TLSFiles{}) {
		t.Errorf("without keys: %+v", s.Agent)
	}
}

func TestLogFile(t *testing.T) {
	files := goodFiles()
	plain := files["site.toml"]
	files["site.toml"] = strings.Replace(plain, "[agent]\n", "[agent]\nlog = \"data/log/loadscribe.log\"\n", 1)
	s, err := load("site.toml", Options{}, memory(files))
	if err != nil {
		t.Fatal(err)
	}
	if want := filepath.Join(s.Agent.DataDir, "log", "loadscribe.log"); s.Agent.Log != want {
		t.Errorf("got %q, want %q", s.Agent.Log, want)
	}
	files["site.toml"] = strings.Replace(plain, "[agent]\n", "[agent]\nlog = \"\"\n", 1)
	if _, err := load("site.toml", Options{}, memory(files)); err == nil || !strings.Contains(err.Error(), "loadscribe.log") {
		t.Errorf("an empty name: got %v", err)
	}
}

func TestOptionsOverride(t *testing.T) {
	path := filepath.Join(configs, "joinery.toml")
	s, err := Load(path, Options{Data: "elsewhere", Listen: "127.0.0.1:0"})
	if err != nil {
		t.Fatal(err)
	}
	wd, err := os.Getwd()
	if err != nil {
		t.Fatal(err)
	}
	if s.Agent.DataDir != filepath.Join(wd, "elsewhere") || s.Agent.Listen != "127.0.0.1:0" {
		t.Errorf("got %+v", s.Agent)
	}
	if s.Hash != loadJoinery(t).Hash {
		t.Error("options changed the site's hash")
	}
	if _, err := Load(path, Options{Listen: "here"}); err == nil || !strings.Contains(err.Error(), "host and port") {
		t.Errorf("listen = here: got %v", err)
	}
}

func TestHashFollowsMaps(t *testing.T) {
	files := goodFiles()
	hashOf := func() string {
		s, err := load("site.toml", Options{}, memory(files))
		if err != nil {
			t.Fatal(err)
		}
		return s.Hash
	}
	before := hashOf()
	files["maps/c.toml"] += "# a remark\n"
	if after := hashOf(); after == before || len(after) != 64 {
		t.Errorf("hash %q before and %q after a change of the map", before, after)
	}
}

func TestMissingSiteFile(t *testing.T) {
	_, err := Load("nowhere/site.toml", Options{})
	var problems Problems
	if !errors.As(err, &problems) || !errors.Is(err, fs.ErrNotExist) || !strings.Contains(err.Error(), "there is no file nowhere/site.toml") {
		t.Errorf("got %v", err)
	}
}

// TestBandsAndTimesAreFree: band settings from 45 to 145 psi and no-load stop
// times from 1 to 10 minutes are accepted, and beyond; neither is a limit of
// ours (common practice, no source).
func TestBandsAndTimesAreFree(t *testing.T) {
	for _, band := range [][2]string{{"45 psi", "55 psi"}, {"135 psi", "145 psi"}, {"20 psi", "500 psi"}, {"6.5 bar", "7.2 bar(g)"}} {
		for _, stop := range []string{"1 min", "10 min", "90 s", "30m", "2 h"} {
			files := goodFiles()
			files["site.toml"] = strings.Replace(files["site.toml"], `control = "load/unload"`,
				`cut_in = "`+band[0]+`"`+"\n"+`cut_out = "`+band[1]+`"`+"\n"+`no_load_stop = "`+stop+`"`, 1)
			s, err := load("site.toml", Options{}, memory(files))
			if err != nil {
				t.Errorf("%v, %s: %v", band, stop, err)
				continue
			}
			if m := s.Machines[0]; m.CutInPa <= 0 || m.CutOutPa <= m.CutInPa || m.NoLoadStop < time.Minute {
				t.Errorf("%v, %s: got %+v", band, stop, m)
			}
		}
	}
}

// offShift is OffShiftOn at one instant.
func offShift(s *Site, t time.Time) bool {
	local := t.In(s.Location)
	return s.OffShiftOn(local)[local.Hour()*60+local.Minute()]
}
