package main

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"math"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"sync/atomic"
	"testing"
	"time"

	"loadscribe/agent"
	"loadscribe/agent/guided"
	"loadscribe/cmd/loadscribe/stage"
	"loadscribe/simulator"
	"loadscribe/testdata/peers"
)

// auditPlant is a shop whose valve is shut and whose machine is stopped when an
// audit's week wants it: on Monday for the hook-up check, on Saturday for the
// pump-up test. On Sunday nobody works: then leaks are tested. It begins on the
// first Monday at 07:10 after now, in its own time.
func auditPlant(t *testing.T) (*simulator.Scenario, time.Time) {
	t.Helper()
	s, err := simulator.LoadScenario("pump-up-test")
	if err != nil {
		t.Fatal(err)
	}
	var schedule []simulator.Window
	for _, w := range []string{"Sun 00:00-24:00", "Tue-Fri 00:00-24:00", "Mon 00:00-07:20", "Mon 07:24-24:00",
		"Sat 00:00-09:00", "Sat 09:05-09:12", "Sat 09:17-09:24", "Sat 09:29-09:36", "Sat 09:45-24:00"} {
		window, err := simulator.ParseWindow(w)
		if err != nil {
			t.Fatal(err)
		}
		schedule = append(schedule, window)
	}
	s.Machines[0].Schedule = schedule
	now := time.Now().In(s.Location).AddDate(0, 0, 1)
	begin := time.Date(now.Year(), now.Month(), now.Day(), 7, 10, 0, 0, s.Location)
	for begin.Weekday() != time.Monday {
		begin = begin.AddDate(0, 0, 1)
	}
	return s, begin
}

// TestAuditPlant takes the accelerated plant through an audit's week without a
// page: the guided tests find what the plant really leaks and delivers.
func TestAuditPlant(t *testing.T) {
	if testing.Short() {
		t.Skip("records a simulated week; not under -short")
	}
	scenario, begin := auditPlant(t)
	world, err := simulator.New(scenario, begin.Add(-12*time.Hour))
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	if err := stage.WriteSite(dir, scenario, stage.SiteOptions{Listen: "127.0.0.1:0", Begin: begin}); err != nil {
		t.Fatal(err)
	}
	l := newLockstep(world, begin)
	r, err := startRig(t, l, filepath.Join(dir, stage.SiteFile), "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx := t.Context()
	at := func(day int, clock string) time.Time {
		c, err := time.Parse("15:04", clock)
		if err != nil {
			t.Fatal(err)
		}
		d := begin.AddDate(0, 0, day)
		return time.Date(d.Year(), d.Month(), d.Day(), c.Hour(), c.Minute(), 0, 0, d.Location())
	}
	test := func(kind string, from time.Time, most time.Duration) agent.TestRecord {
		began := time.Now()
		if err := r.runTo(ctx, from, false); err != nil {
			t.Fatal(err)
		}
		raced := time.Since(began)
		if _, err := r.agent.StartTest(agent.TestAsk{Test: kind, Who: "R. Vale", Confirmed: true}); err != nil {
			t.Fatal(err)
		}
		running := func() agent.TestStatus {
			all, err := r.agent.Tests()
			if err != nil || len(all.Running) != 1 {
				t.Fatalf("%d tests run: %v", len(all.Running), err)
			}
			return all.Running[0]
		}
		over := func() bool { phase := guided.Phase(running().Phase); return phase.Over() }
		if err := r.runUntil(ctx, over, 20*time.Second, most); err != nil {
			t.Fatalf("%v; %+v", err, running())
		}
		if s := running(); s.Phase != string(guided.Done) {
			t.Fatalf("the %s test ended as %+v", kind, s)
		}
		var found agent.TestRecord
		eventually(t, "the result", 10*time.Second, func() bool {
			all, err := r.agent.Tests()
			if err != nil || len(all.Results) == 0 || all.Results[0].Test != kind {
				return false
			}
			found = all.Results[0]
			return true
		})
		t.Logf("%s: %s (to its beginning %.1f s, the test %.1f s)", kind, found.Text, raced.Seconds(), (time.Since(began) - raced).Seconds())
		return found
	}
	pump := test(guided.PumpUp, at(5, "08:58"), time.Hour)
	leak := test(guided.Leak, at(6, "10:00"), 4*time.Hour)

	trueFlow, err := world.Truth().TrueFlowM3S(scenario.Machines[0].Name)
	if err != nil {
		t.Fatal(err)
	}
	holds(t, "full-load flow", pump.FlowM3S, pump.FlowU, trueFlow)
	plant := world.Truth().Plant(time.UnixMilli(int64(leak.From)), time.UnixMilli(int64(leak.To)))
	span := time.Duration(leak.To-leak.From) * time.Millisecond
	holds(t, "leaks", leak.FlowM3S, leak.FlowU, (plant.LeakedM3+plant.UsedM3)/span.Seconds())
}

// holds fails where an interval does not hold what happened.
func holds(t *testing.T, what string, value, u *float64, truth float64) {
	t.Helper()
	if value == nil || u == nil {
		t.Errorf("%s: no value", what)
		return
	}
	text := fmt.Sprintf("%s: %.4g ± %.2g, truly %.4g", what, *value, *u, truth)
	if t.Log(text); !(math.Abs(*value-truth) <= *u) || !(*u < 0.2*truth) {
		t.Error(text)
	}
}

// TestAudit does an audit in Chromium (dashboard/web/e2e/audit.mjs) from an empty
// folder: the site file made with the page's help, the hook-up check, a week, the
// guided tests, two alternatives, the report, and its numbers followed to readings.
func TestAudit(t *testing.T) {
	if testing.Short() {
		t.Skip("drives a browser; not under -short")
	}
	chromium, node, web := browserPeers(t)
	scenario, begin := auditPlant(t)
	address := fmt.Sprintf("127.0.0.1:%d", peers.FreePort(t))
	site := filepath.Join(t.TempDir(), "site.toml")
	p := servePlantOf(t, scenario, "127.0.0.1:0", nil)
	u := start(t, "new", "--site", site, "--listen", address)

	var begun atomic.Pointer[rig]
	mux := http.NewServeMux()
	mux.HandleFunc("POST /begin", func(w http.ResponseWriter, _ *http.Request) {
		if code := u.stop(); code != exitFine {
			t.Errorf("loadscribe new ended with %d: %s", code, u.stderr.String())
		}
		p.stop()
		world, err := simulator.New(scenario, begin.Add(-12*time.Hour))
		var r *rig
		if err == nil {
			r, err = startRig(t, newLockstep(world, begin), site, address)
		}
		if err != nil {
			http.Error(w, err.Error(), http.StatusInternalServerError)
			return
		}
		begun.Store(r)
		w.Write([]byte("{}"))
	})
	mux.HandleFunc("/", func(w http.ResponseWriter, q *http.Request) {
		r := begun.Load()
		if r == nil {
			http.Error(w, "POST /begin has not worked: there is no rig to steer", http.StatusConflict)
			return
		}
		r.control().ServeHTTP(w, q)
	})
	control := httptest.NewServer(mux)
	t.Cleanup(control.Close)

	ctx, cancel := context.WithTimeout(t.Context(), 8*time.Minute)
	defer cancel()
	cmd := exec.CommandContext(ctx, node, "e2e/audit.mjs")
	cmd.Dir = web
	cmd.Env = append(os.Environ(), "BASE_URL=http://"+address, "PLANT="+p.address, "CHROMIUM="+chromium, "RIG_URL="+control.URL,
		"BEGIN="+begin.UTC().Format(time.RFC3339))
	var out bytes.Buffer
	cmd.Stdout = io.MultiWriter(&out, t.Output())
	cmd.Stderr = cmd.Stdout
	err := cmd.Run()
	if err != nil || !regexp.MustCompile(`(?m)^8 passed$`).Match(out.Bytes()) {
		t.Errorf("the audit failed: %v", err)
	}
}
