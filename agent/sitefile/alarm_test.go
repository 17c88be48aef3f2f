package sitefile

import (
	"errors"
	"fmt"
	"math"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"loadscribe/agent/scan"
)

// withAlarms is the good site with alarms at its end, and a motor that may start.
func withAlarms(t *testing.T, alarms string) map[string]string {
	t.Helper()
	files := changed(t, `poles = 4 }`, `poles = 4, starts_per_hour = 6 }`, tapLine, tapLine+"\n\n"+alarms)
	return files
}

// TestAlarms: each kind with as little as it needs, and what it then is. The values
// are those of the text, in SI by hand.
func TestAlarms(t *testing.T) {
	for _, tt := range []struct {
		text string
		want func(*Alarm) bool
	}{
		{`on = "temperature"` + "\n" + `above = "105 °C"`, func(a *Alarm) bool {
			return math.Abs(*a.Above-378.15) < 1e-9 && a.Below == nil && a.Back == 2 && a.Role == scan.DischargeTemperature && a.After == 0 && a.ClearAfter == time.Minute
		}},
		{`on = "temperature"` + "\n" + `role = "oil_temperature"` + "\n" + `below = "41 °F"` + "\n" + `back = "9 °F"` + "\n" + `after = "30s"`, func(a *Alarm) bool {
			return math.Abs(*a.Below-278.15) < 1e-9 && math.Abs(a.Back-5) < 1e-9 && a.Role == scan.OilTemperature && a.After == 30*time.Second
		}},
		{`on = "pressure"` + "\n" + `machine = "comp1"` + "\n" + `above = "8 bar"` + "\n" + `back = "0.2 bar"`, func(a *Alarm) bool {
			return math.Abs(*a.Above-8e5) < 1e-6 && math.Abs(a.Back-2e4) < 1e-6 && a.Role == scan.DischargePressure
		}},
		{`on = "pressure"` + "\n" + `system = "main"` + "\n" + `below = "500 kPa(a)"`, func(a *Alarm) bool { // 210 m: 98.83 kPa outside
			return math.Abs(*a.Below-(500e3-98.83e3)) < 20 && a.Role == "" && a.System == "main"
		}},
		{`on = "pressure below minimum"`, func(a *Alarm) bool { return a.After == 2*time.Minute && a.Back == 10_000 && a.System == "" }},
		{`on = "pressure below minimum"` + "\n" + `after = "5s"` + "\n" + `clear_after = "0s"`, func(a *Alarm) bool { return a.After == 5*time.Second && a.ClearAfter == 0 }},
		{`on = "pressure below minimum"` + "\n" + `when = "shifts"`, func(a *Alarm) bool { return a.InShifts }},
		{`on = "starts at the limit"` + "\n" + `machine = "comp1"`, func(a *Alarm) bool { return a.Limit == 0 && a.Machine == "comp1" }},
		{`on = "starts at the limit"` + "\n" + `limit = 4`, func(a *Alarm) bool { return a.Limit == 4 }},
		{`on = "short cycling"`, func(a *Alarm) bool { return a.Limit == 60 }},
		{`on = "no data"` + "\n" + `device = "inputs"`, func(a *Alarm) bool { return a.After == time.Minute && a.Device == "inputs" }},
		{`on = "service due"` + "\n" + `ahead = "14 d"`, func(a *Alarm) bool { return a.Ahead == 14*24*time.Hour }},
		{`on = "quiet demand grown"`, func(a *Alarm) bool { return math.Abs(*a.Above-0.2) < 1e-12 }},
		{`on = "quiet demand grown"` + "\n" + `above = "35 %"`, func(a *Alarm) bool { return math.Abs(*a.Above-0.35) < 1e-12 }},
		{`on = "fault"`, func(a *Alarm) bool { return a.Machine == "" && a.Device == "" }},
		{`on = "disk"`, func(a *Alarm) bool { return a.FreeBytes == 1_000_000_000 }},
		{`on = "not delivered"` + "\n" + oneReceiver, func(a *Alarm) bool { return a.Target == "" && a.After == 30*time.Minute }},
		{`on = "not delivered"` + "\ntarget = \"owner\"\n" + oneReceiver, func(a *Alarm) bool { return a.Target == "owner" }},
		{`on = "disk"` + "\n" + `free_below = "250 MB"`, func(a *Alarm) bool { return a.FreeBytes == 250_000_000 }},
		{`on = "calibration expired"` + "\n" + `ahead = "30 d"`, func(a *Alarm) bool { return a.Ahead == 30*24*time.Hour }},
		{`on = "reading"` + "\n" + `channel = "inputs.power"` + "\n" + `above = "30 kW"`, func(a *Alarm) bool { return *a.Above == 30_000 && a.Back == 0 }},
		{`on = "reading"` + "\n" + `channel = "inputs.loaded"` + "\n" + `above = 0.5`, func(a *Alarm) bool { return *a.Above == 0.5 && a.Back == 0 }},
		{`on = "disk"` + "\n" + `priority = "high"` + "\n" + `tell = []`, func(a *Alarm) bool { return a.Priority == HighPriority && !a.TellAll && len(a.Tell) == 0 }},
		{`on = "disk"`, func(a *Alarm) bool { return a.Priority == MediumPriority && a.TellAll }},
	} {
		s := mustLoad(t, withAlarms(t, "[[alarm]]\nname = \"one\"\n"+tt.text+"\n"))
		if len(s.Alarms) != 1 || !tt.want(&s.Alarms[0]) {
			t.Errorf("%s\nis %+v", tt.text, s.Alarms)
		}
	}
	if s := mustLoad(t, goodFiles()); len(s.Alarms) != 0 {
		t.Errorf("without any [[alarm]] there are %d", len(s.Alarms))
	}
}

// TestAlarmMistakes: one mistake in each, named with its line, its key and its mend.
func TestAlarmMistakes(t *testing.T) {
	for _, tt := range []struct{ name, text, key, says, mend string }{
		{"no kind", ``, "alarm.on", `"on" is missing`, `"temperature", "pressure below minimum"`},
		{"kind misspelt", `on = "temprature"`, "alarm.on", `"temprature" is not known`, `did you mean "temperature"?`},
		{"no limit", `on = "temperature"`, "alarm.above", "not said when it is raised", `"105 °C"`},
		{"two limits", "on = \"temperature\"\nabove = \"105 °C\"\nbelow = \"5 °C\"", "alarm.below", "both above and below", "write two alarms"},
		{"limit of another kind", "on = \"temperature\"\nabove = \"8 bar\"", "alarm.above", "is a pressure", `"185 °F"`},
		{"limit without unit", "on = \"temperature\"\nabove = 105", "alarm.above", "has no unit", `"185 °F"`},
		{"deadband below zero", "on = \"temperature\"\nabove = \"105 °C\"\nback = \"-3 K\"", "alarm.back", "below zero", "zero or more"},
		{"role of another kind", "on = \"temperature\"\nrole = \"power\"\nabove = \"105 °C\"", "alarm.role", `"power" is not known`, `"oil_temperature"`},
		{"unknown machine", "on = \"temperature\"\nmachine = \"comp9\"\nabove = \"105 °C\"", "alarm.machine", `no machine "comp9"`, `did you mean "comp1"?`},
		{"key of another kind", "on = \"disk\"\nmachine = \"comp1\"", "alarm.machine", `unknown key "machine"`, "known keys here"},
		{"unknown system", "on = \"pressure below minimum\"\nsystem = \"mian\"", "alarm.system", `no system "mian"`, `did you mean "main"?`},
		{"system and machine", "on = \"pressure\"\nsystem = \"main\"\nmachine = \"comp1\"\nabove = \"8 bar\"", "alarm.machine", "both machine and system", "keep one"},
		{"role of a system", "on = \"pressure\"\nsystem = \"main\"\nrole = \"header_pressure\"\nabove = \"8 bar\"", "alarm.role", "last tap", "leave it out"},
		{"when else", "on = \"pressure below minimum\"\nwhen = \"nights\"", "alarm.when", `"nights" is not known`, `"always", "shifts"`},
		{"starts without a limit", "on = \"starts at the limit\"\nmachine = \"comp2\"", "alarm.limit", `machine "comp2" may make is not known`, "limit = 6"},
		{"no limit at all", "on = \"short cycling\"\nlimit = 0", "alarm.limit", "0 is no limit", "1 to 1000"},
		{"more starts than are counted", "on = \"starts at the limit\"\nlimit = 33", "alarm.limit", "33 is no limit", "1 to 32"},
		{"unknown device", "on = \"no data\"\ndevice = \"controler\"", "alarm.device", `"controler"`, `did you mean "controller"?`},
		{"growth of everything", "on = \"quiet demand grown\"\nabove = \"2000 %\"", "alarm.above", "outside 1 % to 1000 %", "20 %"},
		{"disk in no unit", "on = \"disk\"\nfree_below = \"2 GiB\"", "alarm.free_below", `"2 GiB" is no amount`, `"2 GB"`},
		{"reading of nothing", "on = \"reading\"\nabove = 3", "alarm.channel", `"channel" is missing`, "name a channel"},
		{"reading of no channel", "on = \"reading\"\nchannel = \"inputs.powr\"\nabove = \"3 kW\"", "alarm.channel", `no channel "powr"`, `did you mean "inputs.power"?`},
		{"reading in another unit", "on = \"reading\"\nchannel = \"inputs.power\"\nabove = \"3 A\"", "alarm.above", "is a current", "a power is wanted"},
		{"unit of what has none", "on = \"reading\"\nchannel = \"inputs.loaded\"\nabove = \"3 A\"", "alarm.above", "this is a text in quotes", "without quotes"},
		{"nothing is sent", "on = \"not delivered\"", "alarm.on", "[[remote_write]], [mail] or [[webhook]]", "add one"},
		{"sent to nobody", "on = \"not delivered\"\ntarget = \"ownr\"\n" + oneReceiver, "alarm.target", `nothing is sent to "ownr"`, `did you mean "owner"?`},
		{"priority", "on = \"disk\"\npriority = \"urgent\"", "alarm.priority", `"urgent" is not known`, `"high", "medium", "low"`},
		{"delay", "on = \"disk\"\nafter = \"soon\"", "alarm.after", "", ""},
		{"tell whom there is not", "on = \"disk\"\ntell = [\"mail\"]", "alarm.tell", `nobody "mail" to tell`, "neither [mail] nor [[webhook]]"},
		{"tell misspelt", "on = \"disk\"\ntell = [\"dispach\"]\n[[webhook]]\nname = \"dispatch\"\nurl = \"https://dispatch.example/\"\nsecret_file = \"secret\"", "alarm.tell", `nobody "dispach" to tell`, `did you mean "dispatch"?`},
		{"tell is no text", "on = \"disk\"\ntell = [1]", "alarm.tell", "a whole number", "put it in quotes"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			_, err := load(inSite, Options{}, memory(withAlarms(t, "[[alarm]]\nname = \"one\"\n"+tt.text+"\n")))
			var all Problems
			if !errors.As(err, &all) || len(all) == 0 {
				t.Fatalf("no mistake found: %v", err)
			}
			i := slices.IndexFunc(all, func(p Problem) bool { return p.Key == tt.key })
			if i < 0 || len(all) > 1 {
				t.Fatalf("want one mistake at %s: %v", tt.key, err)
			}
			if text := all[i].Error(); all[i].Line == 0 || !strings.Contains(text, tt.says) || !strings.Contains(text, tt.mend) {
				t.Errorf("%s: want %q and %q", text, tt.says, tt.mend)
			}
		})
	}
}

// TestAlarmTargets: without tell it goes to all, with an empty one to nobody.
func TestAlarmTargets(t *testing.T) {
	s := mustLoad(t, withAlarms(t, `[[alarm]]
name = "all"
on = "disk"
[[alarm]]
name = "one"
on = "disk"
tell = ["dispatch"]
[[alarm]]
name = "page"
on = "disk"
tell = []
[mail]
server = "mail.example:587"
from = "loadscribe@air.example"
to = ["shop@air.example"]
[[webhook]]
name = "dispatch"
url = "https://dispatch.example/"
secret_file = "secret"
`))
	if got := s.Targets(); !slices.Equal(got, []string{"mail", "dispatch"}) {
		t.Errorf("targets %q", got)
	}
	if a := s.Alarms; !a[0].TellAll || a[1].TellAll || !slices.Equal(a[1].Tell, []string{"dispatch"}) || a[2].TellAll || len(a[2].Tell) != 0 {
		t.Errorf("alarms %+v", a)
	}
}

// TestAlarmNames: a name is an alarm's own, and there are not more than are bounded.
func TestAlarmNames(t *testing.T) {
	one := "[[alarm]]\nname = \"one\"\non = \"disk\"\n"
	if _, err := load(inSite, Options{}, memory(withAlarms(t, one+one))); err == nil || !strings.Contains(err.Error(), `"one" is used twice`) {
		t.Errorf("the same name twice: %v", err)
	}
	var many strings.Builder
	for i := range mostAlarms + 1 {
		fmt.Fprintf(&many, "[[alarm]]\nname = \"a%d\"\non = \"disk\"\n", i)
	}
	if _, err := load(inSite, Options{}, memory(withAlarms(t, many.String()))); err == nil || !strings.Contains(err.Error(), "more than 200 alarms") {
		t.Errorf("%d alarms: %v", mostAlarms+1, err)
	}
}

// TestAlarmsOfTheDocs: the list of docs/alarms.md loads as it stands there and has
// every kind but those that need a limit of one's own.
func TestAlarmsOfTheDocs(t *testing.T) {
	doc, err := os.ReadFile("../../docs/alarms.md")
	if err != nil {
		t.Fatal(err)
	}
	_, list, ok := strings.Cut(string(doc), "```toml\n")
	list, _, closed := strings.Cut(list, "```")
	if !ok || !closed {
		t.Fatal("docs/alarms.md has no list")
	}
	s := mustLoad(t, changed(t, `poles = 4 }`, `poles = 4, starts_per_hour = 6 }`, "roles = { loaded = \"inputs.loaded\" }", "roles = { loaded = \"inputs.loaded\" }\nmotor = { starts_per_hour = 6 }", tapLine, tapLine+"\n\n"+list))
	var got []AlarmKind
	for i := range s.Alarms {
		got = append(got, s.Alarms[i].On)
	}
	for _, kind := range AlarmKinds() {
		if want := kind != AlarmPressure && kind != AlarmReading && kind != AlarmUndelivered; slices.Contains(got, kind) != want {
			t.Errorf("the list has %q: %t, want %t", kind, !want, want)
		}
		if !strings.Contains(string(doc), "| `"+string(kind)+"` |") {
			t.Errorf("the kinds of docs/alarms.md lack %q", kind)
		}
	}
	if !strings.Contains(string(doc), "Not a safety device.") {
		t.Error("the head does not say that this is no safety device")
	}
}
