package newsite

import (
	"errors"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"

	"github.com/pelletier/go-toml/v2"
	"pgregory.net/rapid"

	"loadscribe/agent/sitefile"
	"loadscribe/configs"
)

func newMaker(t testing.TB, dir string) *Maker {
	t.Helper()
	m, err := New(filepath.Join(dir, "site.toml"), Options{Listen: sitefile.DefaultListen, Examples: configs.Maps,
		Warnings: func(s *sitefile.Site) ([]sitefile.Problem, error) { return s.Warnings, nil }})
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// joinery is the example site of configs/joinery.toml as a person would say it.
func joinery() *Draft {
	return &Draft{
		Site: SiteDraft{Name: "Harrow Lane Joinery", Timezone: "America/Chicago", Units: "us", Altitude: "210 m", Shifts: []string{"Mon-Fri 07:00-16:00", " "}, WeeksPerYear: "50"},
		Tariff: TariffDraft{Currency: "USD", Energy: []PriceDraft{{Price: "0.118"}, {}, {Price: "0.171", When: "Mon-Fri 12:00-18:00"}},
			Demand: ChargeDraft{"14.20", "15m"}, Emissions: "0.39 kg/kWh"},
		Line: []LineDraft{{Name: "controller-net", Kind: "modbus-tcp", Address: "192.0.2.7:502"}, {Name: "meter-net", Kind: "modbus-tcp", Address: "192.0.2.8:502"}},
		Device: []DeviceDraft{
			{Name: "controller", Line: "controller-net", Unit: "1", Map: "maps/screw-controller.toml", Every: "1s", Instrument: InstrumentDraft{Accuracy: map[string]string{"pressure": "1 % of span", "temperature": "3 °F", "current": "2 %"}}},
			{Name: "meter", Line: "meter-net", Unit: "2", Map: "maps/power-meter.toml", Every: "1s", Instrument: InstrumentDraft{Serial: "M-7", Calibrated: "2026-03-02", CalibrationMonths: "12",
				Accuracy: map[string]string{"power": "1 % of reading"}, CurrentTransformer: RatioDraft{"200/5", "200/5"}}},
		},
		Machine: []MachineDraft{{Name: "comp1", Control: "load/unload", RatedFlow: "185 cfm", RatedPressure: "125 psi", RatedPower: "37 kW", CutIn: "105 psi", CutOut: "120 psi",
			NoLoadStop: "5 min", LeastBetweenStarts: "6 min", TripTemperature: "230 °F", Motor: MotorDraft{"50 hp", "4", "460 V", "wye-delta", "6"},
			Channels: map[string]string{"controller": "*", "meter": "power, energy"}, Service: []ServiceDraft{{"oil", "4000", "12"}, {"air filter", "2000", ""}}}},
		System: []SystemDraft{{Name: "main", Machines: []string{"comp1"}, MinimumPressure: "90 psi",
			Parts: []PartDraft{{Name: "dryer", Kind: "dryer", Purge: "0 %"}, {Name: "receiver", Kind: "receiver", Volume: "240 gal"}},
			Taps:  []TapDraft{{At: "receiver", Pressure: "controller.receiver_pressure"}}}},
		Report: ReportDraft{PreparedFor: `the owner, "R. Vale"`, Goals: "What the air costs,\nand what to change first."},
	}
}

// What a person says is what the site file holds, by the reading of the site file
// itself: the values are those of configs/joinery.toml.
func TestDraftBecomesTheSiteThatWasMeant(t *testing.T) {
	dir := t.TempDir()
	m := newMaker(t, dir)
	c, err := m.Check(joinery())
	if err != nil || len(c.Problems) > 0 {
		t.Fatalf("%v, %v in\n%s", err, c.Problems, c.Text)
	}
	if len(c.Machines) != 1 || !slices.Contains(c.Machines[0].Roles, RoleFilled{"power", "meter.power"}) || !slices.Contains(c.Machines[0].Roles, RoleFilled{"loaded", "controller.loaded"}) {
		t.Errorf("roles %v", c.Machines)
	}
	if len(c.Devices) != 2 || !slices.ContainsFunc(c.Devices[1].Channels, func(s ChannelSeen) bool { return s == ChannelSeen{"power", "power", "kW", "power"} }) {
		t.Errorf("devices %+v", c.Devices)
	}
	files, err := m.Write(joinery())
	if err != nil || !slices.Equal(files, []string{"site.toml", "maps/screw-controller.toml", "maps/power-meter.toml"}) {
		t.Fatalf("written %v: %v", files, err)
	}
	got, err := sitefile.Load(m.Path(), sitefile.Options{})
	if err != nil {
		t.Fatal(err)
	}
	want, err := sitefile.Load(filepath.Join("..", "..", "configs", "joinery.toml"), sitefile.Options{})
	if err != nil {
		t.Fatal(err)
	}
	a, b := got.Machines[0], want.Machines[0]
	if a.RatedFlowM3S != b.RatedFlowM3S || a.CutOutPa != b.CutOutPa || a.Motor != b.Motor || a.LeastBetweenStarts != b.LeastBetweenStarts ||
		a.TripTemperatureK != b.TripTemperatureK || !slices.Equal(a.Service, b.Service) {
		t.Errorf("machine\n%+v, want\n%+v", a, b)
	}
	if !reflect.DeepEqual(got.Tariff.Energy, want.Tariff.Energy) || got.Tariff.Demand[0].PerKW != 14.20 || got.BarometerPa != want.BarometerPa || len(got.Shifts) != 1 {
		t.Errorf("tariff %+v, want %+v; barometer %g, want %g; shifts %v", got.Tariff, want.Tariff, got.BarometerPa, want.BarometerPa, got.Shifts)
	}
	if s := got.Systems[0]; s.Taps[0].Pressure != "controller.receiver_pressure" || s.Parts[1].VolumeM3 != want.Systems[0].Parts[1].VolumeM3 {
		t.Errorf("system %+v", s)
	}
	if got.Report.Goals != "What the air costs,\nand what to change first." || got.Devices[1].Instrument.Until != "2027-03-02" {
		t.Errorf("report %+v, calibrated until %s", got.Report, got.Devices[1].Instrument.Until)
	}
}

// Each mistake is told at the field that it is in, also where the key is missing.
func TestMistakesAreToldAtTheirField(t *testing.T) {
	for _, tt := range []struct {
		field string
		spoil func(*Draft)
	}{
		{"site.timezone", func(d *Draft) { d.Site.Timezone = "Chicago" }},
		{"site.weeks_per_year", func(d *Draft) { d.Site.WeeksPerYear = "fifty" }},
		{"site.shifts", func(d *Draft) { d.Site.Shifts = []string{"Mon-Fri 07:00-16:00", "nights"} }},
		{"line", func(d *Draft) { d.Line = nil }},
		{"line.1.address", func(d *Draft) { d.Line[1].Address = "" }},
		{"line.0.name", func(d *Draft) { d.Line[0].Name = "" }},
		{"line.0.port", func(d *Draft) { d.Line[0] = LineDraft{Name: "controller-net", Kind: "modbus-rtu"} }},
		{"device.1.unit", func(d *Draft) { d.Device[1].Unit = "400" }},
		{"device.0.map", func(d *Draft) { d.Device[0].Map = "" }},
		{"device.0.map", func(d *Draft) { d.Device[0].Map = "../../secret.toml" }},
		{"device.0.instrument.accuracy.pressure", func(d *Draft) { d.Device[0].Instrument.Accuracy["pressure"] = "good" }},
		{"device.1.instrument.current_transformer.fitted", func(d *Draft) { d.Device[1].Instrument.CurrentTransformer.Fitted = "big" }},
		{"machine.0.rated_flow", func(d *Draft) { d.Machine[0].RatedFlow = "185" }},
		{"machine.0.cut_in", func(d *Draft) { d.Machine[0].CutIn = "130 psi" }},
		{"machine.0.motor.poles", func(d *Draft) { d.Machine[0].Motor.Poles = "5" }},
		{"machine.0.channels.meter", func(d *Draft) { d.Machine[0].Channels["meter"] = "powr" }},
		{"machine.0.service.1", func(d *Draft) { d.Machine[0].Service[1].Hours = "" }},
		{"machine.0.service.1.hours", func(d *Draft) { d.Machine[0].Service[1].Hours = "many" }},
		{"system.0.machines", func(d *Draft) { d.System[0].Machines = []string{"comp9"} }},
		{"system.0.parts.1.volume", func(d *Draft) { d.System[0].Parts[1].Volume = "large" }},
		{"system.0.parts.1.kind", func(d *Draft) { d.System[0].Parts[1].Kind = "" }},
		{"system.0.taps.0.at", func(d *Draft) { d.System[0].Taps[0].At = "cellar" }},
		{"tariff.currency", func(d *Draft) { d.Tariff.Currency = "" }},
		{"tariff.energy.2.when", func(d *Draft) { d.Tariff.Energy[2].When = "at noon" }},
		{"tariff.energy.0.price", func(d *Draft) { d.Tariff.Energy[0].Price = "0,118" }},
		{"maps.0.name", func(d *Draft) { d.Maps = []MapDraft{{Name: "../up", Text: ""}} }},
		{"maps.0.text", func(d *Draft) { d.Maps = []MapDraft{{Name: "mine", Text: "name ="}} }},
		{"maps.0.text", func(d *Draft) {
			d.Maps = []MapDraft{{Name: "mine", Text: "[[channel]]\nname = \"p\"\n"}}
			d.Device[0].Map = "maps/mine.toml"
		}},
	} {
		d := joinery()
		tt.spoil(d)
		c, err := newMaker(t, t.TempDir()).Check(d)
		if err != nil {
			t.Fatal(err)
		}
		if !slices.ContainsFunc(c.Problems, func(r Remark) bool { return r.Field == tt.field }) {
			t.Errorf("no problem at %s but %+v in\n%s", tt.field, c.Problems, c.Text)
		}
	}
}

// A map of a Windows device's name would be written to that device.
func TestDevicesAreNoMaps(t *testing.T) {
	good, err := configs.Maps.ReadFile("maps/power-meter.toml")
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"con", "nul", "com1", "lpt9", "console", "com10"} {
		d := joinery()
		d.Maps = []MapDraft{{Name: name, Text: string(good)}}
		c, err := newMaker(t, t.TempDir()).Check(d)
		if err != nil {
			t.Fatal(err)
		}
		refused := slices.ContainsFunc(c.Problems, func(r Remark) bool { return r.Field == "maps.0.name" })
		if refused != (len(name) <= 4) {
			t.Errorf("%s: %+v", name, c.Problems)
		}
	}
}

// Nothing that stands is written over, and what fails leaves nothing.
func TestWriteOverwritesNothing(t *testing.T) {
	dir := t.TempDir()
	m := newMaker(t, dir)
	spoilt := joinery()
	spoilt.Machine[0].RatedFlow = "185"
	if _, err := m.Write(spoilt); !errors.Is(err, ErrProblems) {
		t.Errorf("a draft with a mistake: %v", err)
	}
	if err := os.MkdirAll(filepath.Join(dir, "maps"), 0o755); err != nil {
		t.Fatal(err)
	}
	mine := filepath.Join(dir, "maps", "screw-controller.toml")
	text, err := configs.Maps.ReadFile("maps/screw-controller.toml")
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(mine, append([]byte("# mine\n"), text...), 0o600); err != nil {
		t.Fatal(err)
	}
	other := joinery()
	other.Maps = []MapDraft{{"screw-controller", string(text)}}
	if _, err := m.Write(other); !errors.Is(err, ErrExists) {
		t.Errorf("another map of that name: %v", err)
	}
	if _, err := os.Lstat(m.Path()); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("a refused draft left a site file: %v", err)
	}
	if files, err := m.Write(joinery()); err != nil || !slices.Equal(files, []string{"site.toml", "maps/power-meter.toml"}) {
		t.Fatalf("written %v: %v", files, err)
	}
	if kept, err := os.ReadFile(mine); err != nil || !strings.HasPrefix(string(kept), "# mine\n") {
		t.Errorf("the folder's own map is now %.20q: %v", kept, err)
	}
	before, err := os.ReadFile(m.Path())
	if err != nil {
		t.Fatal(err)
	}
	if _, err := m.Write(joinery()); !errors.Is(err, ErrExists) {
		t.Errorf("a second write: %v", err)
	}
	if after, err := os.ReadFile(m.Path()); err != nil || string(after) != string(before) {
		t.Errorf("the site file changed: %v", err)
	}
	if _, err := New(m.Path(), m.o); !errors.Is(err, ErrExists) {
		t.Errorf("a maker of a file that is there: %v", err)
	}
}

// Whatever is typed, the text is TOML and holds it.
func TestAnyTextIsKept(t *testing.T) {
	m := newMaker(t, t.TempDir())
	rapid.Check(t, func(t *rapid.T) {
		d := joinery()
		d.Site.Name = rapid.String().Draw(t, "name")
		d.Report.Goals = rapid.String().Draw(t, "goals")
		d.Machine[0].Motor.Poles = rapid.StringMatching(`[-+]?[0-9]{0,4}(\.[0-9]{0,3})?[a-z"\\]{0,2}`).Draw(t, "poles")
		d.Device[0].Instrument.Accuracy = map[string]string{rapid.String().Draw(t, "key"): rapid.String().Draw(t, "accuracy")}
		c, err := m.Check(d)
		if err != nil {
			t.Fatal(err)
		}
		var read struct {
			Site   struct{ Name string }
			Report struct{ Goals string }
		}
		if err := toml.Unmarshal([]byte(c.Text), &read); err != nil {
			t.Fatalf("%v in\n%s", err, c.Text)
		}
		plain := func(s string) string { return strings.ReplaceAll(strings.TrimSpace(s), "\r\n", "\n") }
		if read.Site.Name != plain(d.Site.Name) || read.Report.Goals != plain(d.Report.Goals) {
			t.Errorf("%q and %q became %q and %q", d.Site.Name, d.Report.Goals, read.Site.Name, read.Report.Goals)
		}
	})
}
