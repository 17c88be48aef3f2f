package main

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"loadscribe/agent"
)

// An audit by command alone: what it says follows from what the running agent
// recorded, and stays once that is stopped.
func TestAuditByCommand(t *testing.T) {
	p := servePlant(t, "127.0.0.1:0", nil)
	dir := t.TempDir()
	site := writeSite(t, dir, netLine(p.address))
	running := start(t, "run", "--site", site)
	agentAt(t, dir)
	if out := mustRun(t, "audit", "--site", site); !strings.HasPrefix(out, "No audit was begun.") || !strings.Contains(out, "No walk was done at comp1.") ||
		!strings.Contains(out, "do it: loadscribe probe --hookup --site "+site) {
		t.Errorf("before it begins:\n%s", out)
	}
	mustFail(t, exitWrongUse, []string{"no audit was begun"}, "audit", "mark", "--site", site, "--step", "sleep", "--who", "R. Vale", "seen")
	mustRun(t, "audit", "begin", "--site", site, "--who", "R. Vale", "--ends", time.Now().AddDate(0, 0, 5).Format(time.DateOnly))
	mustFail(t, exitWrongUse, []string{`did you mean "leak"`}, "audit", "mark", "--site", site, "--step", "leek", "--who", "R. Vale", "seen")
	mustFail(t, exitWrongUse, []string{"within a year"}, "audit", "begin", "--site", site, "--who", "R. Vale", "--ends", "2000-01-01")
	mustRun(t, "audit", "mark", "--site", site, "--step", "instruments", "--who", "R. Vale", "the certificates are with the owner")
	if code := running.stop(); code != exitFine {
		t.Fatalf("ended with %d: %s", code, running.stderr)
	}
	var a agent.Audit
	if err := json.Unmarshal([]byte(mustRun(t, "audit", "--site", site, "--json")), &a); err != nil {
		t.Fatal(err)
	}
	states := map[string]string{}
	for _, s := range a.Steps {
		states[s.Step] = s.State
		isCommand(t, s.Command)
	}
	for step, want := range map[string]string{"instruments": "accepted", "hookup": "missing", "sleep": "unseen", "first_hour": "waits", "leak": "missing", "report": "waits"} {
		if states[step] != want {
			t.Errorf("%s is %q, want %q", step, states[step], want)
		}
	}
	if a.Begun == nil || a.Begun.Who != "R. Vale" {
		t.Errorf("begun %+v", a.Begun)
	}
	mustFail(t, exitFailed, []string{"no agent runs on this site"}, "audit", "begin", "--site", site, "--who", "R. Vale")
}

// isCommand tells of a command line that this program would not take: its command,
// or a flag of it, is not in its own help.
func isCommand(t *testing.T, line string) {
	t.Helper()
	var command, flags []string
	for _, word := range strings.Fields(line)[1:] {
		switch {
		case strings.HasPrefix(word, "--"):
			flags = append(flags, word)
		case len(flags) == 0:
			command = append(command, word)
		}
	}
	help := mustRun(t, append(command, "--help")...)
	for _, flag := range flags {
		if !strings.Contains(help, flag) {
			t.Errorf("%q: %s knows no %s", line, strings.Join(command, " "), flag)
		}
	}
}
