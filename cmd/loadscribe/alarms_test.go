package main

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"loadscribe/agent"
)

const plantAlarms = `
[[alarm]]
name = "warm"
on = "temperature"
above = "-40 °C"
after = "1s"

[[alarm]]
name = "silent"
on = "no data"
tell = []
`

// Alarms by command, of a running agent and of a stopped one alike: what stands, who
// took note, what is shelved, and slips told by their flags.
func TestAlarmsCommand(t *testing.T) {
	plant := servePlant(t, "127.0.0.1:0", nil)
	dir := t.TempDir()
	site := writeSite(t, dir, netLine(plant.address)+plantAlarms)
	list := func() (all agent.Alarms) {
		t.Helper()
		if err := json.Unmarshal([]byte(mustRun(t, "alarms", "--site", site, "--json")), &all); err != nil {
			t.Fatal(err)
		}
		return all
	}
	u := start(t, "run", "--site", site)
	durable(t, agentAt(t, dir))
	eventually(t, "the alarm to stand", 30*time.Second, func() bool { return len(list().Standing) == 1 })
	id := list().Standing[0].ID
	mustFail(t, exitWrongUse, []string{"no alarm of that id stands"}, "alarms", "acknowledge", "--site", site, "--who", "R. Vale", "nothing")
	mustFail(t, exitWrongUse, []string{"the rule: ", `did you mean "warm"?`}, "alarms", "shelve", "--site", site, "--who", "R. Vale", "--for", "8h", "--why", "x", "wram")
	mustFail(t, exitWrongUse, []string{"--for: ", "7 days"}, "alarms", "shelve", "--site", site, "--who", "R. Vale", "--for", "8d", "--why", "x", "warm")
	mustFail(t, exitWrongUse, []string{"the rule: ", "not shelved"}, "alarms", "unshelve", "--site", site, "--who", "R. Vale", "warm")
	mustFail(t, exitWrongUse, []string{"the target: ", "neither [mail] nor [[webhook]]"}, "alarms", "test-message", "--site", site, "mail")
	mustRun(t, "alarms", "acknowledge", "--site", site, "--who", "R. Vale", "--why", "meant so", id)
	if a := list().Standing; len(a) != 1 || a[0].Acknowledged == nil || a[0].Acknowledged.Why != "meant so" {
		t.Errorf("acknowledged: %+v", a)
	}
	mustRun(t, "alarms", "shelve", "--site", site, "--who", "R. Vale", "--for", "8h", "--why", "a test", "warm")
	text := mustRun(t, "alarms", "--site", site)
	for _, want := range []string{id + "  warm (medium): discharge temperature of comp1 ", "above -40.0 °C for 1 s", "acknowledged by R. Vale (meant so)", "shelved until ", "by R. Vale: a test", "Not a safety device"} {
		if !strings.Contains(text, want) {
			t.Errorf("the list has no %q:\n%s", want, text)
		}
	}
	if code := u.stop(); code != exitFine {
		t.Fatalf("the agent ended with %d; stderr:\n%s", code, u.stderr)
	}
	mustFail(t, exitWrongUse, []string{"no alarm of that id stands"}, "alarms", "acknowledge", "--site", site, "--who", "R. Vale", "nothing")
	mustFail(t, exitFailed, []string{"no agent runs on this site"}, "alarms", "test-message", "--site", site, "mail")
	mustRun(t, "alarms", "unshelve", "--site", site, "--who", "M. Ode", "warm")
	all := list()
	if len(all.Standing) != 1 || all.Standing[0].ID != id || all.Standing[0].ShelvedUntil != 0 || all.Rules[1].State != "blind" || !strings.Contains(all.Rules[1].Why, "does not run") {
		t.Errorf("of the stopped agent: %+v", all)
	}
	history := mustRun(t, "alarms", "history", "--site", site, "--from", "-1d")
	at := 0
	for _, want := range []string{"warm, raised: discharge temperature", "warm, acknowledged by R. Vale", "warm, shelved until ", "warm, unshelved by M. Ode"} {
		if i := strings.Index(history[at:], want); i < 0 {
			t.Errorf("the history has no %q, or not in its place:\n%s", want, history)
		} else {
			at += i
		}
	}
	u = start(t, "run", "--site", site)
	durable(t, agentAt(t, dir))
	if a := list().Standing; len(a) != 1 || a[0].ID != id || a[0].Acknowledged == nil {
		t.Errorf("after a restart: %+v", a)
	}
	if code := u.stop(); code != exitFine {
		t.Fatalf("the agent ended with %d; stderr:\n%s", code, u.stderr)
	}
}
