package simulator

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"
	_ "time/tzdata" // the tests' time zones must not depend on the system
)

// monday is a Monday's midnight in the joinery's time zone.
func monday(s *Scenario) time.Time { return BenchStart(s.Location) }

// joinery is the joinery with edit done to it.
func joinery(t testing.TB, edit func(*Scenario)) *Scenario {
	t.Helper()
	s, err := LoadScenario("joinery")
	if err != nil {
		t.Fatalf("LoadScenario(joinery): %v", err)
	}
	if edit != nil {
		edit(s)
	}
	return s
}

// world is a world of the edited joinery that begins at monday plus offset.
func world(t testing.TB, offset time.Duration, edit func(*Scenario)) *World {
	t.Helper()
	s := joinery(t, edit)
	w, err := New(s, monday(s).Add(offset))
	if err != nil {
		t.Fatalf("New: %v", err)
	}
	return w
}

// twelveDays is the joinery from a Monday on, run once for all that ask it.
var twelveDays = sync.OnceValues(func() (*World, error) {
	s, err := LoadScenario("joinery")
	if err != nil {
		return nil, err
	}
	w, err := New(s, monday(s))
	if err != nil {
		return nil, err
	}
	w.Advance(monday(s).AddDate(0, 0, 12))
	return w, nil
})

// joineryDays is a world of twelve days, of which only the truth may be asked.
func joineryDays(t *testing.T) *World {
	t.Helper()
	if testing.Short() {
		t.Skip("runs twelve days; not under -short")
	}
	w, err := twelveDays()
	if err != nil {
		t.Fatal(err)
	}
	return w
}

// shortOf is which scenarios a test of each runs: three under -short, which is
// for the race detector, and a world has no second goroutine.
func shortOf() []string {
	if testing.Short() {
		return []string{"joinery", "three-shifts", "variable-displacement"}
	}
	return Scenarios()
}

// alone takes away schedule, users and leak, and charges the plant to pa: what
// flows is what the test asks for.
func alone(pa float64) func(*Scenario) {
	return func(s *Scenario) {
		s.Users, s.Leak.FlowM3S, s.InitialPressurePa = nil, 0, pa
		s.Machines[0].Schedule, s.Machines[0].LeastStarts = nil, 0
	}
}

func TestEmbeddedScenariosLoad(t *testing.T) {
	names := Scenarios()
	if len(names) == 0 {
		t.Fatal("no scenario is embedded")
	}
	for _, name := range names {
		s, err := LoadScenario(name)
		if err != nil {
			t.Errorf("LoadScenario(%q): %v", name, err)
			continue
		}
		if s.Name != name || s.Title == "" {
			t.Errorf("LoadScenario(%q): name %q, title %q", name, s.Name, s.Title)
		}
	}
}

func TestScenarioFromFile(t *testing.T) {
	data, err := scenarioFiles.ReadFile("scenarios/joinery.toml")
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "other.toml")
	text := strings.Replace(string(data), `cut_in = "95 psi"`, `cut_in = "6.5 bar(g)"`, 1)
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	s, err := LoadScenario(path)
	if err != nil {
		t.Fatalf("LoadScenario(%q): %v", path, err)
	}
	if got := s.Machines[0].CutInPa; got != 650e3 || s.Name != "other" {
		t.Errorf("name %q, cut_in %g Pa, want other, 650000", s.Name, got)
	}
}

func TestScenarioMistakesAreExplained(t *testing.T) {
	data, err := scenarioFiles.ReadFile("scenarios/joinery.toml")
	if err != nil {
		t.Fatal(err)
	}
	tests := []struct {
		name, old, new string
		want           []string
	}{
		{"unknown key", `cut_in = "95 psi"`, `cutin = "95 psi"`, []string{"shop.toml:29:1:", "machine.cutin", "unknown key", `did you mean "machine.cut_in"?`}},
		{"unknown key, none near", `cut_in = "95 psi"`, `colour = "95 psi"`, []string{"shop.toml:29:1:", "machine.colour", "known here are", "cut_out"}},
		{"unknown table", `[weather]`, `[wether]`, []string{"shop.toml:12:2:", `did you mean "weather"?`}},
		{"key of a table in a table", `wye_time = "5s"`, `wye_tme = "5s"`, []string{`did you mean "machine.motor.wye_time"?`}},
		{"key of something without keys", `seed = 20`, `seed.a = 20`, []string{"shop.toml:4:"}},
		{"drive without variable speed", `"wye-delta"`, `"drive"`, []string{"motor.starting", "variable speed"}},
		{"modulation without a kind", `no_load_stop = "4m"`, `modulation = "5 psi"`, []string{"modulation", "variable displacement"}},
		{"modulation too wide", `control = "load/unload"`, "control = \"modulating\"\nmodulation = \"60 psi\"", []string{"modulation", "band"}},
		{"least share", `control = "load/unload"`, "control = \"load/unload\"\nleast_share = 0.4", []string{"least_share", "variable speed"}},
		{"target", `control = "load/unload"`, "control = \"load/unload\"\ntarget = \"100 psi\"", []string{"target", "variable-speed"}},
		{"fault kind", `[machine.initial]`, "[[machine.fault]]\nkind = \"gremlins\"\n\n[machine.initial]", []string{"fault 1", "gremlins", "blow-down fails"}},
		{"fault share", `[machine.initial]`, "[[machine.fault]]\nkind = \"cooler fouled\"\n\n[machine.initial]", []string{"fault 1", "share"}},
		{"fault moment", `[machine.initial]`, "[[machine.fault]]\nkind = \"start fails\"\nfrom = \"Tuesday\"\nuntil = \"Wed 10:00\"\n\n[machine.initial]", []string{"fault 1: from", "Tue 10:15"}},
		{"reserved trip code", `[machine.initial]`, "[[machine.trip]]\nafter = \"1h\"\ncode = 2\n\n[machine.initial]", []string{"trip 1: code"}},
		{"purge of a receiver", "kind = \"receiver\"", "kind = \"receiver\"\npurge = \"5 cfm\"", []string{`part "receiver": purge`}},
		{"drain without its part", "[[user]]\nname = \"panel saw\"", "[[drain]]\nname = \"d\"\npart = \"cellar\"\nflow = \"5 cfm\"\nopen = \"2s\"\nevery = \"1m\"\n\n[[user]]\nname = \"panel saw\"", []string{`drain "d"`, "cellar"}},
		{"drain both ways", "[[user]]\nname = \"panel saw\"", "[[drain]]\nname = \"d\"\npart = \"receiver\"\nflow = \"5 cfm\"\nopen = \"2s\"\nevery = \"1m\"\nfrom = \"Sun 09:00\"\nuntil = \"Sun 09:05\"\n\n[[user]]\nname = \"panel saw\"", []string{`drain "d"`, "either open and every", "or from and until"}},
		{"valve at the end", "[[user]]\nname = \"panel saw\"", "[[valve]]\nname = \"v\"\nafter = \"mains\"\nfrom = \"Sun 09:00\"\nuntil = \"Sun 11:00\"\n\n[[user]]\nname = \"panel saw\"", []string{`valve "v": after`, "mains", "behind it"}},
		{"valve that never opens", "[[user]]\nname = \"panel saw\"", "[[valve]]\nname = \"v\"\nafter = \"receiver\"\nfrom = \"Sun 09:00\"\nuntil = \"Sun 09:00\"\n\n[[user]]\nname = \"panel saw\"", []string{`valve "v": from, until`, "Sun 11:00"}},
		{"valve moment", "[[user]]\nname = \"panel saw\"", "[[valve]]\nname = \"v\"\nafter = \"receiver\"\nfrom = \"Sunday\"\n\n[[user]]\nname = \"panel saw\"", []string{`valve "v": from`, "Tue 10:15"}},
		{"valve leak", "[[user]]\nname = \"panel saw\"", "[[valve]]\nname = \"v\"\nafter = \"receiver\"\nfrom = \"Sun 09:00\"\nuntil = \"Sun 11:00\"\nleak = \"1 cfm\"\nleak_at = \"0 psi\"\n\n[[user]]\nname = \"panel saw\"", []string{`valve "v": leak`, "leak_at"}},
		{"bias too large", `unit = 2`, "unit = 2\nbias = { power_share = 1.5 }", []string{`"meter": bias`, "0.2"}},
		{"bias key", "unit = 2\nrefresh = \"200ms\"", "unit = 2\nrefresh = \"200ms\"\n\n[device.bias]\npower_shar = 0.01", []string{`did you mean "device.bias.power_share"?`}},
		{"bias of pressure", `unit = 2`, "unit = 2\nbias = { pressure = \"40 psi\" }", []string{`"meter": bias`, "200 kPa"}},
		{"accuracy of nothing", `unit = 2`, "unit = 2\naccuracy = { colour = \"1 %\" }", []string{`"meter": accuracy`, "colour", "temperature"}},
		{"accuracy without a value", `unit = 2`, "unit = 2\naccuracy = { power = \"\" }", []string{`"meter": accuracy`, "power", "2 % of reading"}},
		{"power failure", `[weather]`, "[[power_failure]]\nat = \"Mon 09:00\"\n\n[weather]", []string{"power_failure 1: for"}},
		{"clock step", `[weather]`, "[[clock_step]]\nat = \"Mon 09:00\"\nby = \"0 s\"\n\n[weather]", []string{"clock_step 1: by"}},
		{"rotation", `[weather]`, "[rotation]\nmachines = [\"comp1\", \"comp9\"]\n\n[weather]", []string{"rotation", "comp9", "offset"}},
		{"name of a part taken", "name = \"mains\"", "name = \"dryer\"", []string{"part 3", "taken"}},
		{"poll", `unit = 2`, "unit = 2\npoll = \"5ms\"", []string{`"meter"`, "poll"}},
		{"not TOML", `seed = 20`, `seed = `, []string{"shop.toml:4:"}},
		{"number for a quantity", `cut_in = "95 psi"`, `cut_in = 95`, []string{"shop.toml:", "cut_in", "texts"}},
		{"wrong unit", `cut_in = "95 psi"`, `cut_in = "95 kW"`, []string{`machine "comp1": cut_in`, "pressure"}},
		{"absolute band", `cut_in = "95 psi"`, `cut_in = "95 psia"`, []string{"cut_in", "gauge"}},
		{"gauge barometer", `"98.8 kPa(a)"`, `"98.8 kPa"`, []string{"barometer", "absolute"}},
		{"standard flow", `rated_flow = "185 cfm"`, `rated_flow = "185 scfm"`, []string{"rated_flow", "free air"}},
		{"band upside down", `cut_in = "95 psi"`, `cut_in = "125 psi"`, []string{"cut_in", "below cut_out"}},
		{"control", `"load/unload"`, `"magic"`, []string{"magic", "load/unload", "start/stop"}},
		{"starting", `"wye-delta"`, `"rope"`, []string{"motor.starting", "rope"}},
		{"time zone", `"America/Chicago"`, `"America/Nowhere"`, []string{"timezone", "Nowhere"}},
		{"window", `"Mon-Fri 06:55-16:05"`, `"Mon-Fry 06:55-16:05"`, []string{"schedule", "Fry"}},
		{"machine of a device", "name = \"meter\"\nmachine = \"comp1\"", "name = \"meter\"\nmachine = \"comp9\"", []string{`"meter"`, "comp9"}},
		{"unit taken", `unit = 2`, `unit = 1`, []string{`"meter"`, "unit 1"}},
		{"unit too large for a byte", `unit = 2`, `unit = 300`, []string{"shop.toml:", "unit"}},
		{"layout", `"power-meter"`, `"clock"`, []string{"layout", "clock"}},
		{"refresh", `refresh = "200ms"`, `refresh = "30ms"`, []string{"refresh", "50 ms"}},
		{"drop without flow", "drop = \"4 psi\"\ndrop_at = \"185 cfm\"", `drop = "4 psi"`, []string{`"dryer"`, "drop_at"}},
		{"kind", `kind = "dryer"`, `kind = "sponge"`, []string{"sponge", "receiver"}},
		{"negative time", `no_load_stop = "4m"`, `no_load_stop = "-4m"`, []string{"no_load_stop"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			if !strings.Contains(string(data), tt.old) {
				t.Fatalf("the scenario has no %q to replace", tt.old)
			}
			_, err := ParseScenario("shop.toml", []byte(strings.Replace(string(data), tt.old, tt.new, 1)))
			if !errors.Is(err, ErrScenario) {
				t.Fatalf("error %v does not wrap ErrScenario", err)
			}
			for _, want := range tt.want {
				if !strings.Contains(err.Error(), want) {
					t.Errorf("error %q does not say %q", err, want)
				}
			}
		})
	}
	if _, err := LoadScenario("joinry"); err == nil || !strings.Contains(err.Error(), "joinery") {
		t.Errorf("LoadScenario(joinry): %v, want an error that lists joinery", err)
	}
	if _, err := LoadScenario("no/such.toml"); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("LoadScenario(no/such.toml): %v, want it to wrap os.ErrNotExist", err)
	}
}

func TestParseWindow(t *testing.T) {
	tests := []struct {
		text   string
		day    time.Weekday
		second int
		want   bool
	}{
		{"Mon-Fri 07:00-16:00", time.Monday, 7 * 3600, true},
		{"Mon-Fri 07:00-16:00", time.Friday, 16*3600 - 1, true},
		{"Mon-Fri 07:00-16:00", time.Friday, 16 * 3600, false},
		{"Mon-Fri 07:00-16:00", time.Saturday, 8 * 3600, false},
		{"Sat 00:00-24:00", time.Saturday, 86399, true},
		{"Sat 00:00-24:00", time.Sunday, 0, false},
		{"Fri 22:00-06:00", time.Friday, 23 * 3600, true},
		{"Fri 22:00-06:00", time.Saturday, 6*3600 - 1, true},
		{"Fri 22:00-06:00", time.Friday, 5 * 3600, false},
		{"Sat-Mon 08:00-09:00", time.Sunday, 8 * 3600, true},
		{"daily 08:00-09:00", time.Wednesday, 8 * 3600, true},
	}
	for _, tt := range tests {
		w, err := ParseWindow(tt.text)
		if err != nil {
			t.Errorf("ParseWindow(%q): %v", tt.text, err)
			continue
		}
		if got := w.contains(tt.day, tt.second); got != tt.want {
			t.Errorf("%q at %v second %d: %v, want %v", tt.text, tt.day, tt.second, got, tt.want)
		}
	}
	for _, bad := range []string{"", "Mon", "Mon-Fri", "Mon 7:00-16:00", "Mon 07:00", "Mon 07:00-24:30", "Mon 24:00-07:00", "Mo 07:00-16:00", "Mon 07:00-16:60"} {
		if w, err := ParseWindow(bad); err == nil {
			t.Errorf("ParseWindow(%q) = %+v, want an error", bad, w)
		}
	}
}

// FuzzScenario: no text makes the reader panic, every refusal says which file
// and wraps ErrScenario, and what is accepted runs.
func FuzzScenario(f *testing.F) {
	for _, name := range []string{"joinery", "three-shifts", "heatless-dryer", "power-failures"} {
		data, err := scenarioFiles.ReadFile("scenarios/" + name + ".toml")
		if err != nil {
			f.Fatal(err)
		}
		f.Add(string(data))
	}
	f.Add("machine.motor.a.b = 1\n[leak.flow]\nx = 1\n")
	f.Fuzz(func(t *testing.T, text string) {
		s, err := ParseScenario("shop.toml", []byte(text))
		if err != nil {
			if !errors.Is(err, ErrScenario) || !strings.Contains(err.Error(), "shop.toml") {
				t.Fatalf("%v: wants the file's name and ErrScenario", err)
			}
			return
		}
		w, err := New(s, time.Date(2026, time.March, 2, 12, 0, 0, 0, time.UTC))
		if err != nil {
			t.Fatalf("accepted, and then refused: %v", err)
		}
		w.Advance(w.Now().Add(2 * time.Second))
		for _, d := range w.Devices() {
			d.Answer([]byte{4, 0, 0, 0, 1})
		}
	})
}
