package main

import (
	"bytes"
	"context"
	"fmt"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"loadscribe/cmd/loadscribe/demo"
	"loadscribe/testdata/peers"
)

// TestPage opens every page in Chromium against a recording agent with the
// demo's week behind it: see dashboard/web/e2e. The agent is restarted under an
// open page. SHOTS_DIR: all screenshots are made, and kept there. PAGE_ONLY
// names the files of e2e to run, parted by spaces.
func TestPage(t *testing.T) {
	if testing.Short() {
		t.Skip("drives a browser; not under -short")
	}
	chromium, node, web := browserPeers(t)
	if _, err := os.Stat(filepath.Join(web, "dist", "index.html")); err != nil {
		t.Fatalf("the page is not built into this test: make build, then test")
	}

	address := fmt.Sprintf("127.0.0.1:%d", peers.FreePort(t))
	dir := filepath.Join(t.TempDir(), "shop")
	shop, err := demo.Open(demo.Options{Dir: dir, Listen: address, Steady: true})
	if err != nil {
		t.Fatal(err)
	}
	began := time.Now()
	if err := shop.Fill(t.Context(), "test", slog.New(slog.DiscardHandler), func(float64, string) {}); err != nil {
		t.Fatal(err)
	}
	t.Logf("the week was recorded in %.1f s", time.Since(began).Seconds())
	plant, stopPlant := context.WithCancel(context.Background())
	var ended sync.WaitGroup
	ended.Go(func() {
		if err := shop.Serve(plant); err != nil {
			t.Errorf("the simulated plant: %v", err)
		}
	})
	t.Cleanup(func() { stopPlant(); ended.Wait() })

	agent := start(t, "run", "--site", filepath.Join(dir, "site.toml"))
	waitHealthy := func() {
		eventually(t, "a healthy agent", 20*time.Second, func() bool {
			answer, err := http.Get("http://" + address + "/readyz")
			if err != nil {
				return false
			}
			answer.Body.Close()
			return answer.StatusCode == http.StatusOK
		})
	}
	waitHealthy()
	restarts := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		if code := agent.stop(); code != exitFine {
			t.Errorf("the agent ended with %d; stderr:\n%s", code, agent.stderr)
		}
		agent = start(t, "run", "--site", filepath.Join(dir, "site.toml"))
		waitHealthy()
	}))
	t.Cleanup(restarts.Close)

	ctx, cancel := context.WithTimeout(t.Context(), 15*time.Minute)
	defer cancel()
	check := func(files []string) {
		cmd := exec.CommandContext(ctx, node, append([]string{"e2e/run.mjs"}, files...)...)
		cmd.Dir = web
		cmd.Env = append(os.Environ(), "BASE_URL=http://"+address, "CHROMIUM="+chromium, "RESTART_URL="+restarts.URL)
		said := &testLines{t: t}
		cmd.Stdout, cmd.Stderr = said, said
		err := cmd.Run()
		said.rest()
		if err != nil {
			t.Errorf("the page's checks failed: %v", err)
		}
	}
	// An alarm that stands would be seen on every page: those checks come last.
	warm := func() {
		agent.stop()
		site := filepath.Join(dir, "site.toml")
		text, err := os.ReadFile(site)
		if err != nil {
			t.Fatal(err)
		}
		alarm := "\n[[alarm]]\nname = \"air end warm\"\non = \"temperature\"\nabove = \"1 °C\"\nafter = \"1s\"\npriority = \"high\"\n" // which is always so
		if err := os.WriteFile(site, append(text, alarm...), 0o600); err != nil {
			t.Fatal(err)
		}
		agent = start(t, "run", "--site", site)
		waitHealthy()
	}
	if only := strings.Fields(os.Getenv("PAGE_ONLY")); len(only) > 0 {
		if slices.Contains(only, "alarms") {
			warm()
		}
		check(only)
		return
	}
	var both sync.WaitGroup
	for _, files := range pageChecks(t, filepath.Join(web, "e2e")) {
		both.Go(func() { check(files) })
	}
	both.Wait()
	check([]string{"restart"})
	warm()
	check([]string{"alarms"})
}

// browserPeers are the browser and Node, and the folder of the pages, whose packages
// are installed; without them the test is skipped, or fails where peers are required.
func browserPeers(t *testing.T) (chromium, node, web string) {
	t.Helper()
	chromium, node = peers.Path(t, "chromium"), peers.Path(t, "node")
	web, err := filepath.Abs("../../dashboard/web")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := os.Stat(filepath.Join(web, "node_modules", "playwright-core")); err != nil {
		peers.Missing(t, "the page's packages are not installed: make build")
	}
	return chromium, node, web
}

// testLines logs what a command says line by line as it comes, so that it is there
// when the test is cut off. A command has one, for both of its outputs.
type testLines struct {
	t    *testing.T
	part []byte
}

func (l *testLines) Write(p []byte) (int, error) {
	l.part = append(l.part, p...)
	for {
		line, rest, whole := bytes.Cut(l.part, []byte("\n"))
		if !whole {
			return len(p), nil
		}
		l.t.Logf("%s", line)
		l.part = rest
	}
}

// rest logs what came without an end of line.
func (l *testLines) rest() {
	if len(l.part) > 0 {
		l.t.Logf("%s", l.part)
	}
}

// writingChecks are the files of checks that write notes, spot readings and walks
// into the record, and those that count them: they run one after another, beside
// the others. With them go the days, so that both halves take about as long.
var writingChecks = []string{"book", "days", "desk", "hookup", "machine", "night", "pagenumbers", "trace"}

// pageChecks divides the files of checks in two that run side by side: most of
// their time is waiting.
func pageChecks(t *testing.T, dir string) (halves [2][]string) {
	t.Helper()
	all, err := filepath.Glob(filepath.Join(dir, "*.test.mjs"))
	if err != nil {
		t.Fatal(err)
	}
	for _, path := range all {
		switch name := strings.TrimSuffix(filepath.Base(path), ".test.mjs"); {
		case name == "report" || name == "restart" || name == "hostile" || name == "alarms": // with a record of its own, one that stops the agent, one that comes last
		case slices.Contains(writingChecks, name):
			halves[0] = append(halves[0], name)
		default:
			halves[1] = append(halves[1], name)
		}
	}
	if len(halves[0]) != len(writingChecks) || len(halves[1]) == 0 {
		t.Fatalf("checks are missing: there are %v and %v", halves[0], halves[1])
	}
	return halves
}
