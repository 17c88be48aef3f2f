package main

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"

	"loadscribe/agent"
	"loadscribe/agent/quantity"
)

// Leak tags by command, of a stopped agent and of a running one alike: what was said
// before is there after, and a slip is told by its flag.
func TestLeaksCommand(t *testing.T) {
	plant := servePlant(t, "127.0.0.1:0", nil)
	dir := t.TempDir()
	site := writeSite(t, dir, netLine(plant.address)+"\n[[system]]\nname = \"main\"\nmachines = [\"comp1\"]\n")
	list := func() (l agent.Leaks) {
		t.Helper()
		if err := json.Unmarshal([]byte(mustRun(t, "leaks", "--site", site, "--json")), &l); err != nil {
			t.Fatal(err)
		}
		return l
	}
	misused := func() {
		t.Helper()
		mustFail(t, exitWrongUse, []string{"--hole: ", "50 mm"}, "leaks", "add", "--site", site, "--who", "R. Vale", "--hole", "3 ft", "x")
		mustFail(t, exitWrongUse, []string{"the number: ", "there is no leak tag of number 9999"}, "leaks", "mended", "--site", site, "--who", "R. Vale", "9999")
		mustFail(t, exitWrongUse, []string{"the place: ", "so that another finds it"}, "leaks", "add", "--site", site, "--who", "R. Vale", " ")
	}
	out := mustRun(t, "leaks", "add", "--site", site, "--who", "R. Vale", "--hole", "1/8 in", "hose reel, bay 2")
	var seq uint64
	if _, after, ok := strings.Cut(out, "event "); !ok {
		t.Fatalf("%q", out)
	} else if _, err := fmt.Sscan(after, &seq); err != nil {
		t.Fatalf("%q: %v", out, err)
	}
	misused()
	if l := list(); len(l.Tags) != 1 || l.Tags[0].Tag != seq || l.Tags[0].Place != "hose reel, bay 2" || l.Absent == "" {
		t.Errorf("of a stopped agent: %+v", l)
	}
	u := start(t, "run", "--site", site)
	durable(t, agentAt(t, dir))
	misused()
	mustRun(t, "leaks", "mended", "--site", site, "--who", "M. Ode", "--what", "new coupling", fmt.Sprint(seq))
	if l := list(); len(l.Tags) != 1 || l.Tags[0].State != "mended" || l.Tags[0].MendedBy != "M. Ode" || l.Mended.Count != 1 {
		t.Errorf("of a running agent: %+v", l)
	}
	if code := u.stop(); code != exitFine {
		t.Fatalf("the agent ended with %d; stderr:\n%s", code, u.stderr)
	}
	text := mustRun(t, "leaks", "--site", site)
	for _, want := range []string{"hose reel, bay 2", "3.17 mm", "M. Ode", "mended"} {
		if !strings.Contains(text, want) {
			t.Errorf("the list has no %q:\n%s", want, text)
		}
	}
	mustRun(t, "leaks", "again", "--site", site, "--who", "R. Vale", fmt.Sprint(seq))
	mustRun(t, "leaks", "correct", "--site", site, "--who", "R. Vale", "--coefficient", "0.97", "--hole", "3 mm", "--place", "hose reel, bay 3", fmt.Sprint(seq))
	if l := list(); l.Tags[0].State != "open" || l.Tags[0].Coefficient != 0.97 || *l.Tags[0].HoleM != 0.003 || l.Tags[0].Place != "hose reel, bay 3" {
		t.Errorf("leaks again, and is put right: %+v", l.Tags)
	}
	before := time.Now().Add(-2 * time.Hour)
	mustRun(t, "leaks", "mended", "--site", site, "--who", "R. Vale", "--at", before.Format(time.RFC3339), fmt.Sprint(seq))
	if l := list(); int64(l.Tags[0].Mended) != before.Truncate(time.Second).UnixMilli() {
		t.Errorf("mended at %d, want %d", l.Tags[0].Mended, before.UnixMilli())
	}
	mustRun(t, "leaks", "withdraw", "--site", site, "--who", "R. Vale", "--what", "a fan", fmt.Sprint(seq))
	if l := list(); l.Tags[0].State != "withdrawn" || l.Open.Count+l.Mended.Count != 0 {
		t.Errorf("taken back: %+v", l)
	}
}

// A hole is told as the site measures: 1 in is 25.4 mm exactly (by definition).
func TestHoleText(t *testing.T) {
	for _, tt := range []struct {
		units quantity.System
		m     float64
		want  string
	}{
		{quantity.US, 0.0015875, "0.0625 in"}, // 1/16 in
		{quantity.US, 0.003175, "0.125 in"},
		{quantity.SI, 0.003, "3 mm"},
	} {
		if got := holeText(tt.units, tt.m); got != tt.want {
			t.Errorf("%v m: %q, want %q", tt.m, got, tt.want)
		}
	}
}
