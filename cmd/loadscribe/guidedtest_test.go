package main

import (
	"context"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"strings"
	"sync"
	"testing"
	"time"

	"loadscribe/agent"
	"loadscribe/agent/guided"
	"loadscribe/agent/sitefile"
)

// notingWriter is a buffer that another goroutine may look at.
type notingWriter struct {
	mu   sync.Mutex
	text strings.Builder
}

func (w *notingWriter) Write(b []byte) (int, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.text.Write(b)
}

func (w *notingWriter) String() string {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.text.String()
}

// A test needs a running agent, somebody's name and a yes; Ctrl-C cancels it at
// the agent, and nothing is filed.
func TestGuidedTestCommand(t *testing.T) {
	plant := servePlant(t, "127.0.0.1:0", nil)
	dir := t.TempDir()
	site := writeSite(t, dir, netLine(plant.address))
	text, err := os.ReadFile(site)
	if err != nil {
		t.Fatal(err)
	}
	system := "\n[[system]]\nname = \"main\"\nmachines = [\"comp1\"]\nparts = [{ name = \"receiver\", kind = \"receiver\", volume = \"240 gal\" }]\n"
	if err := os.WriteFile(site, append(text, system...), 0o644); err != nil {
		t.Fatal(err)
	}
	mustRun(t, "note", "--site", site, "moved in") // there is a store
	mustFail(t, exitFailed, []string{"no agent runs on this site", "loadscribe run --site"}, "test", "leak", "--site", site, "--who", "R. Vale", "--yes")
	if out := mustRun(t, "test", "list", "--site", site); !strings.Contains(out, "no guided test has a result yet") {
		t.Errorf("list of a stopped agent: %q", out)
	}
	u := start(t, "run", "--site", site)
	durable(t, agentAt(t, dir))
	mustFail(t, exitWrongUse, []string{"missing flags: --who=NAME"}, "test", "leak", "--site", site)
	mustFail(t, exitWrongUse, []string{"--who: say who"}, "test", "leak", "--site", site, "--who", " ", "--yes")
	mustFail(t, exitWrongUse, []string{"--machine: ", `"comp9"`}, "test", "pump-up", "--site", site, "--who", "R. Vale", "--machine", "comp9", "--yes")
	mustFail(t, exitWrongUse, []string{"--volume", "240 gal"}, "test", "leak", "--site", site, "--who", "R. Vale", "--volume", "much", "--yes")
	mustFail(t, exitWrongUse, []string{"--package", "leave ± out"}, "test", "pump-up", "--site", site, "--who", "R. Vale", "--package", "45 l ± 5 %", "--yes")
	mustFail(t, exitWrongUse, []string{"--rises: "}, "test", "pump-up", "--site", site, "--who", "R. Vale", "--rises", "9", "--yes")
	mustFail(t, exitWrongUse, []string{"the number: ", "no guided test of number 77"}, "test", "withdraw", "--site", site, "--who", "R. Vale", "77", "wrong")

	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	var out, errs notingWriter
	ended := make(chan int, 1)
	go func() {
		ended <- execute(ctx, []string{"test", "leak", "--site", site, "--who", "R. Vale", "--yes", "--volume", "275 gal ± 1 %"}, &out, &errs)
	}()
	for deadline := time.Now().Add(20 * time.Second); !strings.Contains(out.String(), "needs 5 whole load cycles"); {
		if time.Now().After(deadline) {
			t.Fatalf("no progress: %q %q", out.String(), errs.String())
		}
		time.Sleep(20 * time.Millisecond)
	}
	if list := mustRun(t, "test", "list", "--site", site); !strings.Contains(list, "leak test on system main by R. Vale: watch") {
		t.Errorf("list while it runs: %q", list)
	}
	var second, why notingWriter
	if code := execute(t.Context(), []string{"test", "pump-up", "--site", site, "--who", "B. Hale", "--yes"}, &second, &why); code != exitWrongUse ||
		!strings.Contains(why.String(), "--system: a leak test by R. Vale runs") {
		t.Errorf("a second test ended with %d: %q", code, why.String())
	}
	stop()
	if code := <-ended; code != exitFailed || !strings.Contains(errs.String(), "cancelled; nothing is filed") {
		t.Errorf("ended with %d: %q", code, errs.String())
	}
	for _, says := range []string{"caution: Nobody may use air", "caution: Never touch", "every valve and button is yours", "Tell those who use air"} {
		if !strings.Contains(out.String(), says) {
			t.Errorf("the command does not say %q:\n%s", says, out.String())
		}
	}
	if list := mustRun(t, "test", "list", "--site", site); !strings.Contains(list, "given up") || !strings.Contains(list, "no guided test has a result yet") {
		t.Errorf("list after it: %q", list)
	}
	cancelled(t, site)
	u.stop()
}

// A test whose command is gone is broken off by another command.
func cancelled(t *testing.T, file string) {
	t.Helper()
	site, err := loadSite(file, sitefile.Options{})
	if err != nil {
		t.Fatal(err)
	}
	s := &surroundings{ctx: t.Context(), stdout: io.Discard, stderr: io.Discard}
	r, err := needRunning(s, site, "the test asks it")
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	mustFail(t, exitWrongUse, []string{"--system: ", "no guided test runs"}, "test", "cancel", "--site", file)
	ask := agent.TestAsk{Test: guided.Leak, Who: "R. Vale", VolumeM3: 1, Confirmed: true}
	if err := r.post(t.Context(), "/api/v1/tests/start", ask, &agent.TestStatus{}); err != nil {
		t.Fatal(err)
	}
	if out := mustRun(t, "test", "cancel", "--site", file); !strings.Contains(out, "the leak test on system main by R. Vale was cancelled; nothing is filed") {
		t.Errorf("test cancel says %q", out)
	}
	mustFail(t, exitWrongUse, []string{"--system: "}, "test", "cancel", "--site", file)
}

// What a person sees from the first rise to the result, and what of an agent that
// was started anew meanwhile.
func TestGuidedTestIsFollowed(t *testing.T) {
	story := []string{
		`{"system":"main","test":"pump-up","phase":"lower","instruction":"Shut the valve.","done":0,"needed":2,"needs":"2 rises"}`,
		`{"system":"main","test":"pump-up","phase":"rise","instruction":"Touch nothing.","done":0,"needed":2,"needs":"2 rises"}`,
		`{"system":"main","test":"pump-up","phase":"lower","instruction":"Shut the valve.","done":0,"needed":2,"needs":"2 rises","detail":"a rise does not count: it was not even"}`,
		`{"system":"main","test":"pump-up","phase":"lower","instruction":"Shut the valve.","done":1,"needed":2,"needs":"2 rises, of which 1 are there","so_far":"4.9 m³/min"}`,
	}
	for name, tt := range map[string]struct {
		last, wantErr, wantOut string
	}{
		"done":  {`{"system":"main","phase":"done","so_far":"comp1 delivers 4.89 ± 0.2 m³/min","instruction":"Open it."}`, "", "Done: comp1 delivers"},
		"given": {`{"system":"main","phase":"given_up","why":"comp1 has tripped","instruction":"Open it."}`, "given up: comp1 has tripped", "Open it."},
		"anew":  {"", "started anew", "open the plant valve again, slowly"},
	} {
		asked := 0
		server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
			now := tt.last
			if asked++; asked < len(story) {
				now = story[asked]
			}
			w.Write([]byte(`{"running":[` + now + `],"results":[]}`))
		}))
		var out strings.Builder
		r := &running{in: agent.Instance{Address: strings.TrimPrefix(server.URL, "http://")}, client: server.Client()}
		err := follow(&surroundings{ctx: t.Context(), stdout: &out}, r, agent.TestStatus{System: "main", Test: "pump-up", Phase: "lower", Instruction: "Shut the valve.", Needed: 2, Needs: "2 rises"})
		server.Close()
		if tt.wantErr == "" && err != nil || tt.wantErr != "" && (err == nil || !strings.Contains(err.Error(), tt.wantErr)) {
			t.Errorf("%s: %v, want %q", name, err, tt.wantErr)
		}
		for _, says := range []string{"[lower] Shut the valve.", "[rise] Touch nothing.", "! a rise does not count", "so far: 4.9 m³/min", "1 of 2: needs", tt.wantOut} {
			if !strings.Contains(out.String(), says) {
				t.Errorf("%s: nothing says %q:\n%s", name, says, out.String())
			}
		}
	}
}
