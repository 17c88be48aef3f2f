package main

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"loadscribe/agent/newsite"
)

// newSiteAt starts loadscribe new in an empty folder; at is its address.
func newSiteAt(t *testing.T) (u *underTest, dir, at string) {
	t.Helper()
	dir = t.TempDir()
	u = start(t, "new", "--site", filepath.Join(dir, "site.toml"), "--listen", "127.0.0.1:0")
	address := regexp.MustCompile(`a new site, .* at (http://\S+)`)
	eventually(t, "the address of the page", 10*time.Second, func() bool {
		if m := address.FindStringSubmatch(u.stdout.String()); m != nil {
			at = m[1]
		}
		return at != ""
	})
	return u, dir, at
}

// sent posts as the page at this address would.
func sent(t *testing.T, at, path string, body any) (int, []byte) {
	t.Helper()
	text, err := json.Marshal(body)
	if err != nil {
		t.Fatal(err)
	}
	r, err := http.NewRequestWithContext(t.Context(), http.MethodPost, at+path, bytes.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	r.Header.Set("Content-Type", "application/json")
	r.Header.Set("Origin", at)
	answer, err := http.DefaultClient.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	defer answer.Body.Close()
	got, err := io.ReadAll(answer.Body)
	if err != nil {
		t.Fatal(err)
	}
	return answer.StatusCode, got
}

// From an empty folder to a recording agent: the draft is checked, written, and the
// same process reads the plant's own registers at the same address.
func TestNewSiteGoesOnRecording(t *testing.T) {
	p := servePlant(t, "127.0.0.1:0", nil)
	_, dir, at := newSiteAt(t)
	d := newsite.Draft{
		Site:    newsite.SiteDraft{Name: "Mill Bank Works", Timezone: "Europe/London", Units: "si"},
		Line:    []newsite.LineDraft{{Name: "bus", Kind: "modbus-tcp"}},
		Device:  []newsite.DeviceDraft{{Name: "controller", Line: "bus", Unit: "1", Map: "maps/screw-controller.toml"}},
		Machine: []newsite.MachineDraft{{Name: "comp1", Control: "load/unload", Channels: map[string]string{"controller": "*"}}},
	}
	status, body := sent(t, at, "/api/v1/newsite/check", d)
	var checked newsite.Checked
	if err := json.Unmarshal(body, &checked); err != nil || status != 200 || len(checked.Problems) != 1 || checked.Problems[0].Field != "line.0.address" {
		t.Fatalf("%d %v: %s", status, err, body)
	}
	if status, body := sent(t, at, "/api/v1/newsite/write", d); status != 400 || !strings.Contains(string(body), `\"address\" is missing`) {
		t.Errorf("a draft with a mistake is written: %d %s", status, body)
	}
	d.Line[0].Address = p.address
	if status, body := sent(t, at, "/api/v1/newsite/write", d); status != 200 || !strings.Contains(string(body), "site.toml") {
		t.Fatalf("%d %s", status, body)
	}
	eventually(t, "readings at the same address", 20*time.Second, func() bool {
		answer, err := http.Get(at + "/readyz")
		if err != nil {
			return false
		}
		answer.Body.Close()
		return answer.StatusCode == http.StatusOK
	})
	if state := stateAt(t, strings.TrimPrefix(at, "http://")); len(state.Machines) != 1 || state.Machines[0].Machine != "comp1" {
		t.Errorf("machines %+v", state.Machines)
	}
	if status, body := sent(t, at, "/api/v1/newsite/write", d); status != 404 || !strings.Contains(string(body), "has its site file already") {
		t.Errorf("a second site: %d %s", status, body)
	}
	mustRun(t, "check", "--site", filepath.Join(dir, "site.toml"))
}

// A site that is made at a desk: the files are there, and the process ends without
// having recorded anything.
func TestNewSiteWrittenAlone(t *testing.T) {
	u, dir, at := newSiteAt(t)
	d := newsite.Draft{
		Site:   newsite.SiteDraft{Name: "Mill Bank Works", Units: "si"},
		Line:   []newsite.LineDraft{{Name: "bus", Kind: "modbus-tcp", Address: "192.0.2.7:502"}},
		Device: []newsite.DeviceDraft{{Name: "controller", Line: "bus", Unit: "1", Map: "maps/screw-controller.toml"}},
	}
	if status, body := sent(t, at, "/api/v1/newsite/write?record=later", d); status != 400 || !strings.Contains(string(body), "use true or false") {
		t.Fatalf("an unknown wish: %d %s", status, body)
	}
	if status, body := sent(t, at, "/api/v1/newsite/write?record=false", d); status != 200 {
		t.Fatalf("%d %s", status, body)
	}
	eventually(t, "the end of the process", 20*time.Second, func() bool { return strings.Contains(u.stdout.String(), "Nothing is recorded yet") })
	if code := u.stop(); code != exitFine {
		t.Errorf("it ends with %d: %s", code, u.stderr)
	}
	entries, err := os.ReadDir(dir)
	if err != nil || len(entries) != 2 || entries[0].Name() != "maps" || entries[1].Name() != "site.toml" {
		t.Errorf("in the folder stand %v, %v: want maps and site.toml alone", entries, err)
	}
	mustRun(t, "check", "--site", filepath.Join(dir, "site.toml"))
}

func TestNewSiteRefusals(t *testing.T) {
	dir := t.TempDir()
	there := filepath.Join(dir, "site.toml")
	if err := os.WriteFile(there, []byte("# mine\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	mustFail(t, exitWrongUse, []string{"there is a file already", "loadscribe run --site"}, "new", "--site", there)
	mustFail(t, exitWrongUse, []string{"can be reached from the network"}, "new", "--site", filepath.Join(dir, "other.toml"), "--listen", "0.0.0.0:0")
	mustFail(t, exitWrongUse, []string{"is not host and port"}, "new", "--site", filepath.Join(dir, "other.toml"), "--listen", "8477")
	mustFail(t, exitFailed, []string{"there is no file", "loadscribe new --site"}, "run", "--site", filepath.Join(dir, "other.toml"))

	_, _, at := newSiteAt(t)
	answer, err := http.Post(at+"/api/v1/newsite/write", "application/json", strings.NewReader("{}")) // no page sends this
	if err != nil {
		t.Fatal(err)
	}
	answer.Body.Close()
	if answer.StatusCode != http.StatusForbidden {
		t.Errorf("a POST without an origin: %d", answer.StatusCode)
	}
	if status, body := sent(t, at, "/api/v1/notes", map[string]string{"text": "x"}); status != 503 || !strings.Contains(string(body), "no site file yet") {
		t.Errorf("a note before there is a site: %d %s", status, body)
	}
}

// TestNewSitePage makes a site with the page in Chromium (dashboard/web/e2e/new.mjs)
// against a simulated plant, until the live pages stand there.
func TestNewSitePage(t *testing.T) {
	if testing.Short() {
		t.Skip("drives a browser; not under -short")
	}
	chromium, node, web := browserPeers(t)
	p := servePlant(t, "127.0.0.1:0", nil)
	_, dir, at := newSiteAt(t)
	_, aloneDir, alone := newSiteAt(t)
	ctx, cancel := context.WithTimeout(t.Context(), 4*time.Minute)
	defer cancel()
	cmd := exec.CommandContext(ctx, node, "e2e/new.mjs")
	cmd.Dir = web
	cmd.Env = append(os.Environ(), "BASE_URL="+at, "ALONE_URL="+alone, "PLANT="+p.address, "CHROMIUM="+chromium)
	out, err := cmd.CombinedOutput()
	t.Logf("%s", out)
	if err != nil || !regexp.MustCompile(`(?m)^1 passed$`).Match(out) {
		t.Errorf("the page's checks failed: %v", err)
	}
	for _, d := range []string{dir, aloneDir} {
		if text := mustRun(t, "check", "--site", filepath.Join(d, "site.toml"), "--json"); !strings.Contains(text, `"site":"Mill Bank Works"`) {
			t.Errorf("the site file that the page made: %s", text)
		}
	}
}
