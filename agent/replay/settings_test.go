package replay

import (
	"errors"
	"math"
	"strings"
	"testing"

	"loadscribe/agent/analysis"
	"loadscribe/agent/replay/engine"
)

// wrongSettings are mistakes with what the error must say of them.
var wrongSettings = []struct{ name, key, value, want string }{
	{"misspelt key", "comp1.cut_inn", "95 psi", `did you mean "comp1.cut_in"?`},
	{"unknown machine", "kettle.cut_in", "95 psi", "unknown setting; there are NAME"},
	{"unknown plant key", "leaks_mendet", "50 %", `did you mean "leaks_mended"?`},
	{"no unit", "comp1.cut_in", "95", "has no unit"},
	{"wrong unit", "comp1.cut_in", "95 cfm", "a pressure is wanted"},
	{"band upside down", "comp1.cut_in", "150 psi", "is not below the cut-out"},
	{"above what the machine is made for", "comp1.cut_out", "140 psi", "more than a tenth above the rated pressure"},
	{"vacuum", "comp1.cut_in", "1 psi", "is no pressure of such a plant"},
	{"timer without unit", "comp1.no_load_stop", "5", "has no unit"},
	{"timer of a second", "comp1.no_load_stop", "1 s", `or "never"`},
	{"schedule", "comp1.schedule", "weekdays", "is not days and times"},
	{"schedule that never runs", "comp1.schedule", "Sun 07:00-08:00", "never runs in the window"},
	{"control", "comp1.control", "variable sped", `did you mean "variable speed"?`},
	{"target of a load/unload machine", "comp1.target", "100 psi", "only a machine of variable speed holds a pressure"},
	{"throttling of a load/unload machine", "comp1.modulation", "10 psi", "does not throttle"},
	{"least share of a load/unload machine", "comp1.least_share", "30 %", "gives all or nothing"},
	{"not in the list", "comp1.replace", "drive-50", `did you mean "drive-50hp"?`},
	{"half a machine", "comp1.rated_flow", "100 cfm", "needs comp1.rated_flow and comp1.rated_power"},
	{"the only machine", "comp1.remove", "yes", "no machine is left"},
	{"neither yes nor no", "comp1.remove", "perhaps", "neither"},
	{"name taken", "add.comp1", "screw-20hp", "already"},
	{"more leaks than there are", "leaks_mended", "120 %", "out of range"},
	{"user without sign", "user.press", "20 cfm", "does not say whether"},
	{"user without flow", "user.press", "Mon-Fri 07:00-16:00", "does not begin with a number"},
	{"user never in the window", "user.press", "+20 cfm Sun 07:00-08:00", "lies in the window"},
	{"receiver of nothing", "volume_add", "0 gal", "out of range"},
	{"order of one", "order", "fixed", "only one machine"},
	{"turn without order", "rotate_every", "24 h", "order ="},
	{"base without trim", "base", "comp1", "name both"},
	{"step without order", "band_step", "5 psi", "order ="},
}

func TestWrongSettingsAreTold(t *testing.T) {
	site := joinery(t)
	st := studyOf(t, site, steady(site, 0.5))
	for _, tt := range wrongSettings {
		_, err := st.Apply(Alternative{Set: []Setting{{tt.key, tt.value}}})
		wrong := (*RequestError)(nil)
		if !errors.As(err, &wrong) || !strings.Contains(wrong.Message, tt.want) || wrong.Field == "" {
			t.Errorf("%s: %s=%s: got %v, want a *RequestError with %q", tt.name, tt.key, tt.value, err, tt.want)
		}
	}
	for _, tt := range []struct {
		set         []Setting
		field, want string
	}{
		{[]Setting{{"comp1.control", "start/stop"}, {"comp1.no_load_stop", "2 min"}}, "comp1.no_load_stop", "leave the timer out"},
		{[]Setting{{"add.b", "screw-20hp"}, {"comp1.remove", "yes"}, {"comp1.no_load_stop", "2 min"}}, "comp1.no_load_stop", "taken away"},
		{[]Setting{{"add.b", "screw-20hp"}, {"b.cut_in", "80 psi"}, {"order", "fixed"}}, "b.cut_in", "set that of comp1, which leads"},
		{[]Setting{{"add.b", "screw-20hp"}, {"comp1.cut_out", "104 psi"}, {"order", "fixed"}, {"first", "b"}}, "comp1.cut_out", "set that of b, which leads"},
	} {
		_, err := st.Apply(Alternative{Set: tt.set})
		wrong := (*RequestError)(nil)
		if !errors.As(err, &wrong) || wrong.Field != tt.field || !strings.Contains(wrong.Message, tt.want) {
			t.Errorf("%v: got %v, want a *RequestError at %s with %q", tt.set, err, tt.field, tt.want)
		}
	}
	if _, err := st.Apply(Alternative{Set: []Setting{{"comp1.cut_in", "90 psi"}, {"comp1.cut_in", "91 psi"}}}); err == nil || !strings.Contains(err.Error(), "set twice") {
		t.Errorf("twice: got %v", err)
	}
}

// TestPresentBandIsNotRefused: a band that stands above the rated pressure already is
// no reason to refuse another change, but to refuse a new band.
func TestPresentBandIsNotRefused(t *testing.T) {
	site := joinery(t)
	rec := steady(site, 0.5)
	site.Machines[0].RatedPressurePa = 80 * psi
	st := studyOf(t, site, rec)
	if _, err := st.Apply(Alternative{Set: []Setting{{"leaks_mended", "10 %"}}}); err != nil {
		t.Errorf("mending leaks: %v", err)
	}
	if _, err := st.Apply(Alternative{Set: []Setting{{"comp1.cut_out", "104 psi"}}}); err == nil || !strings.Contains(err.Error(), "above the rated pressure") {
		t.Errorf("another band: got %v", err)
	}
}

// TestAddedMachineHasTheHoursOfTheFirst, unless it is given its own.
func TestAddedMachineHasTheHoursOfTheFirst(t *testing.T) {
	site := joinery(t)
	rec := steady(site, 0.5)
	rec.Machines[0].On = []analysis.Span{{FromMS: rec.FromMS, ToMS: rec.FromMS + 3600_000}}
	st := studyOf(t, site, rec)
	a, err := st.Apply(Alternative{Set: []Setting{{"add.b", "screw-20hp"}}})
	if err != nil || len(a.Plant.Machines[1].On) != 1 || a.Plant.Machines[1].On[0].ToS != 3600 {
		t.Errorf("got %v, %v, want the first hour", a.Plant.Machines, err)
	}
	a, err = st.Apply(Alternative{Set: []Setting{{"add.b", "screw-20hp"}, {"b.schedule", "always"}}})
	if err != nil || a.Plant.Machines[1].On != nil {
		t.Errorf("always: got %v, %v", a.Plant.Machines, err)
	}
}

// TestFlagsOfDoInEveryShell: the shell of Windows knows no single quotes.
func TestFlagsOfDoInEveryShell(t *testing.T) {
	for value, want := range map[string]string{
		"97 psi":                               `--set "k=97 psi"`,
		"Mon-Fri 06:55-16:05; Sat 07:00-12:00": `--set "k=Mon-Fri 06:55-16:05; Sat 07:00-12:00"`,
		"a$b":                                  `--set 'k=a$b'`,
		`it's "so"`:                            `--set 'k=it'\''s "so"'`,
	} {
		if got := FlagsOf([]Setting{{"k", value}}); got != want {
			t.Errorf("%s: got %s, want %s", value, got, want)
		}
	}
}

// TestSettingsReachThePlant: what is set is what the engine plays, in SI.
func TestSettingsReachThePlant(t *testing.T) {
	site := joinery(t)
	st := studyOf(t, site, steady(site, 0.5))
	a, err := st.Apply(Alternative{Set: []Setting{
		{"comp1.cut_in", "6.2 bar(g)"}, {"comp1.cut_out", "7.0 bar(g)"}, {"comp1.no_load_stop", "90 s"}, {"comp1.least_between_starts", "10 min"},
		{"comp1.schedule", "Sun 18:00-24:00; Mon 00:00-12:00"}, {"volume", "1 m³"}, {"add.lag", "screw-20hp"}, {"lag.cut_in", "5.8 bar(g)"}, {"lag.cut_out", "6.6 bar(g)"},
		{"user.press", "+10 cfm daily 00:00-24:00"}}})
	if err != nil {
		t.Fatal(err)
	}
	m := a.Plant.Machines[0]
	near(t, "cut-in", m.CutInPa, 6.2e5, 1)
	near(t, "cut-out", m.CutOutPa, 7.0e5, 1)
	near(t, "no-load stop", m.NoLoadStopS, 90, 0)
	near(t, "least between starts", m.LeastBetweenStarts, 600, 0)
	near(t, "volume", a.Plant.VolumeM3, 1, 1e-9)
	near(t, "lag cut-in", a.Plant.Machines[1].CutInPa, 5.8e5, 1)
	near(t, "lag flow", a.Plant.Machines[1].FullFlowM3S, 77*cfm*(1+sheetFlow), 1e-9)
	near(t, "demand", a.Demand[0].Segments[0].DemandM3S, (92.5+10)*cfm, 1e-9)
	// The window begins on Sunday 1 March 2026, 18:00 in Chicago.
	if len(m.On) != 1 || m.On[0].FromS != 0 || m.On[0].ToS != 18*3600 {
		t.Errorf("schedule: %v, want one span of 18 h", m.On)
	}
	if never, err := st.Apply(Alternative{Set: []Setting{{"comp1.no_load_stop", "never"}}}); err != nil || !math.IsInf(never.Plant.Machines[0].NoLoadStopS, 1) {
		t.Errorf("never: %v, %v", never.Plant.Machines, err)
	}
}

func TestFlagsAreQuoted(t *testing.T) {
	got := FlagsOf([]Setting{{"comp1.cut_in", "95 psi"}, {"user.joe's", "+2 cfm"}})
	if want := `--set "comp1.cut_in=95 psi" --set 'user.joe'\''s=+2 cfm'`; got != want {
		t.Errorf("got %s, want %s", got, want)
	}
}

func TestChangesFile(t *testing.T) {
	c, err := ParseChanges("changes.toml", []byte(`
[[alternative]]
name = "narrow"
set = { "comp1.cut_in" = "100 psi", leaks_mended = "50 %" }

[[alternative]]
set.comp1.cut_out = "110 psi"
`))
	if err != nil {
		t.Fatal(err)
	}
	if len(c.Alternatives) != 2 || c.Alternatives[0].Set[0] != (Setting{"comp1.cut_in", "100 psi"}) || c.Alternatives[1].Set[0] != (Setting{"comp1.cut_out", "110 psi"}) ||
		c.Alternatives[1].Name != "alternative 2" {
		t.Errorf("got %+v", c.Alternatives)
	}
	for text, want := range map[string]string{
		"[[alternative]]\nname = \"a\"\n":                                        "changes nothing",
		"[[alternativ]]\nname = \"a\"\n":                                         `did you mean "alternative"?`,
		"[[alternative]]\nset = { \"comp1.cut_in\" = 95 }\n":                     "put it in quotes, with its unit",
		"[[alternative]]\nname = \"a\"\nset = { a = \"b\" }\nprice = \"free\"\n": "unknown key",
	} {
		if _, err := ParseChanges("changes.toml", []byte(text)); err == nil || !strings.Contains(err.Error(), want) || !strings.HasPrefix(err.Error(), "changes.toml:") {
			t.Errorf("%s: got %v, want %q", text, err, want)
		}
	}
}

// FuzzSettings: whatever is set, it is a plant that the engine takes, or a
// *RequestError that says something.
func FuzzSettings(f *testing.F) {
	for _, tt := range wrongSettings {
		f.Add(tt.key, tt.value)
	}
	site := joinery(f)
	rec := steady(site, 0.5)
	rec.Minutes = rec.Minutes[:60]
	rec.ToMS = rec.FromMS + 60*minuteMS
	st := studyOf(f, site, rec)
	f.Fuzz(func(t *testing.T, key, value string) {
		a, err := st.Apply(Alternative{Set: []Setting{{key, value}}})
		wrong := (*RequestError)(nil)
		if err != nil {
			if !errors.As(err, &wrong) || wrong.Message == "" {
				t.Fatalf("%s=%s: %v is no *RequestError with a message", key, value, err)
			}
			return
		}
		if _, err := engine.Play(&a.Plant, a.Demand, engine.Options{}); err != nil {
			t.Fatalf("%s=%s gives a plant that cannot be played: %v", key, value, err)
		}
	})
}
