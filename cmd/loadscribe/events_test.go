package main

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"loadscribe/agent"
	"loadscribe/simulator"
)

// eventsOf asks the events command, as a program would.
func eventsOf(t *testing.T, site string, args ...string) eventsAnswer {
	t.Helper()
	var a eventsAnswer
	if err := json.Unmarshal([]byte(mustRun(t, append([]string{"events", "--site", site, "--json"}, args...)...)), &a); err != nil {
		t.Fatal(err)
	}
	return a
}

// TestNotesAndEvents writes notes to a running and to a stopped agent, changes
// the site file in between, and reads all of it back both ways.
func TestNotesAndEvents(t *testing.T) {
	plant := servePlant(t, "127.0.0.1:0", nil)
	dir := t.TempDir()
	site := writeSite(t, dir, netLine(plant.address))
	before, err := os.ReadFile(site)
	if err != nil {
		t.Fatal(err)
	}
	if out := mustRun(t, "note", "--site", site, "moved", "in", "--author", "R. Vale"); !strings.Contains(out, "about Harrow Lane Joinery") {
		t.Errorf("a note before anything was recorded: %q", out)
	}
	u := start(t, "run", "--site", site)
	durable(t, agentAt(t, dir))
	out := mustRun(t, "note", "--site", site, "--machine", "comp1", "--at", "-2h", "air filter changed")
	var number int
	if _, err := fmt.Sscanf(out, "note %d about comp1,", &number); err != nil {
		t.Fatalf("%q: %v", out, err)
	}
	mustRun(t, "note", "--site", site, "--corrects", fmt.Sprint(number), "it was the oil filter")
	misused := func() {
		t.Helper()
		mustFail(t, exitWrongUse, []string{`--machine: "comp9" is no machine`, `did you mean "comp1"`}, "note", "--site", site, "--machine", "comp9", "x")
		mustFail(t, exitWrongUse, []string{"--at: ", "future"}, "note", "--site", site, "--at", "2100-01-01", "x")
		mustFail(t, exitWrongUse, []string{"the text: ", "empty"}, "note", "--site", site, "  ")
		mustFail(t, exitWrongUse, []string{"--text: ", "no text of that hash"}, "events", "--site", site, "--text", strings.Repeat("0", 64))
		mustFail(t, exitWrongUse, []string{`--kind: "nots" is no kind of event`, `did you mean "note"?`}, "events", "--site", site, "--kind", "nots")
		mustFail(t, exitWrongUse, []string{"--limit 0"}, "events", "--site", site, "--limit", "0")
	}
	misused()
	var first string // the hash of the first site file
	check := func(files int) {
		t.Helper()
		notes := eventsOf(t, site, "--kind", "note")
		if len(notes.Events) != 3 || notes.Events[2].Data["corrected_by"] == "" || notes.Events[1].Data["corrects"] != fmt.Sprint(number) ||
			notes.Events[0].Data["author"] != "R. Vale" {
			t.Errorf("notes, newest first: %+v", notes.Events)
		}
		changed := eventsOf(t, site, "--kind", "config_changed").Events
		n := 0
		for _, e := range changed {
			if e.Data["file"] == "site.toml" && e.Data["before"] == "" {
				first = e.Data["after"]
			}
			if e.Data["file"] != "" {
				n++
			}
		}
		if n != files || first == "" {
			t.Errorf("%d versions of files, want %d: %+v", n, files, changed)
		}
		if text := mustRun(t, "events", "--site", site, "--text", first); text != string(before) {
			t.Errorf("the first site file: %q", text)
		}
		plain := mustRun(t, "events", "--site", site)
		for _, want := range []string{"agent_started", "comp1", "air filter changed (note", "corrected by note", ", by R. Vale)"} {
			if !strings.Contains(plain, want) {
				t.Errorf("events do not say %q:\n%s", want, plain)
			}
		}
	}
	check(3)
	if code := u.stop(); code != exitFine {
		t.Fatalf("ended with %d; stderr:\n%s", code, u.stderr)
	}
	misused()
	check(3)
	writeFile(t, site, strings.Replace(string(before), "185 cfm", "178 cfm", 1))
	u = start(t, "run", "--site", site)
	agentAt(t, dir)
	check(4)
	changed := eventsOf(t, site, "--kind", "config_changed", "--limit", "1").Events[0]
	want := `site.toml has changed: machine comp1 rated_flow "178 cfm", was "185 cfm". It may affect air_delivered`
	if !strings.HasPrefix(changed.Text, want) || changed.Data["before"] != first || changed.Data["after"] == "" {
		t.Errorf("got %+v, want %q", changed, want)
	}
	if code := u.stop(); code != exitFine {
		t.Fatalf("ended with %d; stderr:\n%s", code, u.stderr)
	}
	check(4)
	if entries, err := filepath.Glob(filepath.Join(dir, "data", "*.damaged*")); err != nil || len(entries) > 0 {
		t.Errorf("%v, %v", entries, err)
	}
}

// checkTurns holds the events of a machine to the simulator's truth: each true
// change between standing, idling and delivering is there, in its order and
// within two poll periods, and no other.
func checkTurns(t *testing.T, truth *simulator.Truth, site string, from, to time.Time) {
	t.Helper()
	transitions, err := truth.Transitions("comp1", from, to)
	if err != nil {
		t.Fatal(err)
	}
	type turn struct {
		at   time.Time
		word string
	}
	state, err := truth.StateAt("comp1", from)
	if err != nil {
		t.Fatal(err)
	}
	var want, got []turn
	for _, tr := range transitions {
		word := ""
		switch {
		case tr.State == simulator.Tripped:
			word = "trip"
		case !state.Running() && tr.State.Running():
			word = "start"
		case state.Running() && !tr.State.Running():
			word = "stop"
		case state != simulator.Loaded && tr.State == simulator.Loaded:
			word = "load"
		case state == simulator.Loaded && tr.State != simulator.Loaded:
			word = "unload"
		}
		if word != "" {
			want = append(want, turn{tr.Time, word})
		}
		state = tr.State
	}
	h := history(t, site)
	defer h.Close()
	q := agent.EventQuery{FromMS: from.UnixMilli(), ToMS: to.UnixMilli(), Kinds: []string{"state"}, Changes: []string{"start", "stop", "trip", "load", "unload"}, Limit: 500}
	for {
		page, err := h.Events(q)
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range page.Events {
			got = append(got, turn{time.UnixMilli(int64(e.Time)), e.Data["change"]})
		}
		if q.After = page.Next; q.After == "" {
			break
		}
	}
	if len(got) != len(want) {
		t.Fatalf("%d changes of state among the events, truly %d", len(got), len(want))
	}
	worst := time.Duration(0)
	for i, w := range want {
		g := got[len(got)-1-i] // the newest comes first
		late := g.at.Sub(w.at)
		worst = max(worst, late)
		if g.word != w.word || late < 0 || late > 2*time.Second {
			t.Errorf("change %d: got %s at %v, truly %s at %v", i, g.word, g.at.UTC(), w.word, w.at.UTC())
		}
	}
	t.Logf("%d changes of state, each found at most %v late", len(want), worst)
}
