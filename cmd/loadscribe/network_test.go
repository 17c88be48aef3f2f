package main

import (
	"context"
	"crypto/tls"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/cookiejar"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"loadscribe/agent"
	"loadscribe/agent/sitefile"
	"loadscribe/dashboard/door"
	"loadscribe/testdata/peers"
)

// onNetwork runs an agent whose pages others can reach, though the tests ask it
// over loopback, and returns its folder, site file, what it printed and its
// agent.json. keys are further ones of [agent].
func onNetwork(t *testing.T, listen, keys string) (dir, site string, u *underTest, in agent.Instance) {
	t.Helper()
	plant := servePlant(t, "127.0.0.1:0", nil)
	dir = t.TempDir()
	site = writeSite(t, dir, netLine(plant.address))
	text, err := os.ReadFile(site)
	if err != nil {
		t.Fatal(err)
	}
	writeFile(t, site, strings.Replace(string(text), `listen = "127.0.0.1:0"`, fmt.Sprintf("listen = %q\n%s", listen, keys), 1))
	u = start(t, "run", "--site", site)
	eventually(t, "an agent that answers", 20*time.Second, func() bool {
		var ok bool
		if in, ok, err = agent.ReadInstance(filepath.Join(dir, "data")); err != nil || !ok {
			return false
		}
		answer, err := pinned(in).Get(in.URL() + "/healthz")
		if err != nil {
			return false
		}
		answer.Body.Close()
		return answer.StatusCode == http.StatusOK
	})
	return dir, site, u, in
}

// browser is who opens the pages: it keeps cookies and names the page's origin.
type browser struct {
	t      *testing.T
	client *http.Client
	origin string
}

func newBrowser(t *testing.T, in agent.Instance) *browser {
	t.Helper()
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	client := pinned(in)
	client.Jar = jar
	t.Cleanup(client.CloseIdleConnections)
	return &browser{t, client, in.URL()}
}

// ask gets, or posts a body where there is one, and returns status and answer.
func (b *browser) ask(path, body string) (int, string) {
	b.t.Helper()
	method, content := http.MethodGet, io.Reader(nil)
	if body != "" {
		method, content = http.MethodPost, strings.NewReader(body)
	}
	r, err := http.NewRequestWithContext(b.t.Context(), method, b.origin+path, content)
	if err != nil {
		b.t.Fatal(err)
	}
	r.Header.Set("Origin", b.origin)
	r.Header.Set("Content-Type", "application/json")
	answer, err := b.client.Do(r)
	if err != nil {
		b.t.Fatal(err)
	}
	defer answer.Body.Close()
	text, err := io.ReadAll(answer.Body)
	if err != nil {
		b.t.Fatal(err)
	}
	return answer.StatusCode, string(text)
}

var (
	printedCode        = regexp.MustCompile(`set-up code ([0-9A-Z]{4}-[0-9A-Z]{4}-[0-9A-Z]{4})\n`)
	printedFingerprint = regexp.MustCompile(`fingerprint \(SHA-256\): ([0-9A-F:]{95})\n`)
)

// TestListeningOnANetwork: from the first start to a person who operates, one who
// looks, and commands, as somebody would do it.
func TestListeningOnANetwork(t *testing.T) {
	dir, site, u, in := onNetwork(t, "0.0.0.0:0", "")
	out := u.stdout.String()
	fingerprint := printedFingerprint.FindStringSubmatch(out)
	if !strings.Contains(out, " at https://127.0.0.1:") || fingerprint == nil || fingerprint[1] != in.Fingerprint || in.Scheme != "https" {
		t.Fatalf("printed %q, left %+v", out, in)
	}
	if status, body := tryGet("http://" + in.Address + "/api/v1/state"); status != 400 || !strings.Contains(body, "https://") {
		t.Errorf("plain HTTP: %d %q", status, body)
	}
	b := newBrowser(t, in)
	if status, body := b.ask("/api/v1/state", ""); status != 401 {
		t.Errorf("a stranger: %d %s", status, body)
	}
	code := printedCode.FindStringSubmatch(out)
	if code == nil {
		t.Fatalf("no set-up code in %q", out)
	}
	if strings.Contains(u.stderr.String(), code[1]) {
		t.Error("the code is in the log")
	}
	exit, newer, advice := runCommand(t, "people", "code", "--site", site)
	if newer = strings.TrimSpace(newer); exit != exitFine || !strings.Contains(advice, in.Fingerprint) {
		t.Errorf("people code ends with %d and does not print the fingerprint, which a service prints nowhere else: %s", exit, advice)
	}
	if none := mustRun(t, "people", "sessions", "--site", site); none != "Nobody is signed in.\n" {
		t.Errorf("people sessions: %q", none)
	}
	setUp := `{"code":"%s","name":"R. Vale","password":"mild winter evening"}`
	if status, body := b.ask("/api/v1/door/set-up", fmt.Sprintf(setUp, code[1])); status != 400 {
		t.Errorf("the code before: %d %s", status, body)
	}
	if status, body := b.ask("/api/v1/door/set-up", fmt.Sprintf(setUp, newer)); status != 200 {
		t.Fatalf("set-up: %d %s", status, body)
	}
	for path, want := range map[string]int{"/api/v1/state": 200, "/api/v1/sitefile": 200, "/api/v1/door/people": 200, "/metrics": 200} {
		if status, body := b.ask(path, ""); status != want {
			t.Errorf("%s: %d %s", path, status, body)
		}
	}
	if status, body := b.ask("/api/v1/door/people", `{"name":"Wall","role":"look","password":"screen by the door"}`); status != 200 {
		t.Errorf("adding: %d %s", status, body)
	}
	wall := newBrowser(t, in)
	if status, body := wall.ask("/api/v1/door/in", `{"name":"wall","password":"screen by the door"}`); status != 200 {
		t.Fatalf("the screen: %d %s", status, body)
	}
	if status, _ := wall.ask("/api/v1/state", ""); status != 200 {
		t.Errorf("the screen looks: %d", status)
	}
	if status, body := wall.ask("/api/v1/notes", `{"text":"x"}`); status != 403 || !strings.Contains(body, `"role"`) {
		t.Errorf("the screen writes: %d %s", status, body)
	}

	// local commands need no sign-in, and hold the agent to its certificate
	if list := mustRun(t, "people", "list", "--site", site); !strings.Contains(list, "R. Vale") || !strings.Contains(list, "Wall") {
		t.Errorf("people list: %s", list)
	}
	mustRun(t, "note", "--site", site, "written by a command")
	var all sessionsAnswer
	if err := json.Unmarshal([]byte(mustRun(t, "people", "sessions", "--json", "--site", site)), &all); err != nil || len(all.Sessions) != 2 {
		t.Fatalf("%v %+v", err, all)
	}
	for _, one := range all.Sessions {
		if one.Name == "Wall" {
			mustRun(t, "people", "end", one.ID, "--site", site)
		}
	}
	if status, body := wall.ask("/api/v1/state", ""); status != 401 || !strings.Contains(body, "ended by a local command") {
		t.Errorf("after people end: %d %s", status, body)
	}
	mustRun(t, "people", "remove", "Wall", "--site", site)
	mustFail(t, exitFailed, []string{"already"}, "people", "code", "--site", site)
	events := mustRun(t, "events", "--site", site, "--kind", "sign_in", "--from", "-1h")
	for _, want := range []string{"first person is set up: R. Vale", "Wall may sign in, to look (by R. Vale)", "Wall may no longer sign in (by a local command)"} {
		if !strings.Contains(events, want) {
			t.Errorf("events lack %q:\n%s", want, events)
		}
	}
	stranger := in
	stranger.Fingerprint = door.Fingerprint([]byte("another certificate"))
	if _, err := pinned(stranger).Get(in.URL() + "/healthz"); err == nil || !strings.Contains(err.Error(), "another program") {
		t.Errorf("another certificate is taken: %v", err)
	}
	if code := u.stop(); code != exitFine {
		t.Errorf("stopped with %d: %s", code, u.stderr)
	}
	if info, err := os.Stat(filepath.Join(dir, "data", "door", "people.json")); err != nil || info.Size() == 0 {
		t.Errorf("people.json: %v", err)
	}
}

// A proxy on the same computer: sign-in over plain HTTP, under the names it uses.
func TestBehindAProxy(t *testing.T) {
	_, site, u, in := onNetwork(t, "127.0.0.1:0", "sign_in = \"always\"\nhosts = [\"air.example\"]\norigins = [\"https://air.example\"]\n")
	if in.URL() != "http://"+in.Address || printedCode.FindString(u.stdout.String()) == "" {
		t.Fatalf("left %+v, printed %s", in, u.stdout)
	}
	code := strings.TrimSpace(mustRun(t, "people", "code", "--site", site))
	ask := func(host, origin string) *http.Response {
		r, err := http.NewRequestWithContext(t.Context(), http.MethodPost, in.URL()+"/api/v1/door/set-up",
			strings.NewReader(fmt.Sprintf(`{"code":"%s","name":"R. Vale","password":"mild winter evening"}`, code)))
		if err != nil {
			t.Fatal(err)
		}
		r.Host = host
		r.Header.Set("Origin", origin)
		r.Header.Set("Content-Type", "application/json")
		r.Header.Set("X-Forwarded-For", "127.0.0.1")
		answer, err := http.DefaultTransport.RoundTrip(r)
		if err != nil {
			t.Fatal(err)
		}
		answer.Body.Close()
		return answer
	}
	defer http.DefaultTransport.(*http.Transport).CloseIdleConnections()
	if answer := ask("evil.example", "https://evil.example"); answer.StatusCode != 403 {
		t.Errorf("under another name: %d", answer.StatusCode)
	}
	answer := ask("air.example", "https://air.example")
	if cookie := answer.Header.Get("Set-Cookie"); answer.StatusCode != 200 || !strings.HasPrefix(cookie, "__Host-loadscribe-") || !strings.Contains(cookie, "Secure") {
		t.Errorf("by the proxy: %d %q", answer.StatusCode, cookie)
	}
	mustRun(t, "levels", "--site", site)
}

// TestPrometheusScrapesOverTLS: Debian's Prometheus trusts certificate.pem, bears
// the token, and has our numbers.
func TestPrometheusScrapesOverTLS(t *testing.T) {
	prometheus := peers.Path(t, "prometheus")
	dir, site, _, in := onNetwork(t, "0.0.0.0:0", "")
	token := mustRun(t, "people", "scrape-token", "--site", site)
	work := t.TempDir()
	writeFile(t, filepath.Join(work, "token"), strings.TrimSpace(token))
	config := filepath.Join(work, "prometheus.yml")
	certificate := filepath.Join(dir, "data", "door", "certificate.pem")
	writeFile(t, config, fmt.Sprintf(`
global: { scrape_interval: 1s }
scrape_configs:
  - job_name: air
    scheme: https
    authorization: { credentials_file: %[1]q }
    tls_config: { ca_file: %[2]q, server_name: localhost }
    static_configs: [{ targets: [%[3]q] }]
  - job_name: stranger
    scheme: https
    tls_config: { ca_file: %[2]q, server_name: localhost }
    static_configs: [{ targets: [%[3]q] }]
`, filepath.Join(work, "token"), certificate, in.Address))
	at := fmt.Sprintf("127.0.0.1:%d", peers.FreePort(t))
	output := background(t, "", prometheus, "--config.file", config, "--storage.tsdb.path", filepath.Join(work, "data"), "--web.listen-address", at)
	var answer string
	value := func(query string) string {
		_, answer = tryGet("http://" + at + "/api/v1/query?query=" + query)
		var found struct {
			Data struct {
				Result []struct {
					Value [2]any `json:"value"`
				} `json:"result"`
			} `json:"data"`
		}
		if json.Unmarshal([]byte(answer), &found) != nil || len(found.Data.Result) == 0 {
			return ""
		}
		return fmt.Sprint(found.Data.Result[0].Value[1])
	}
	eventually(t, "a scrape over TLS", 60*time.Second, func() bool {
		return value(`up%7Bjob=%22air%22%7D`) == "1" && value(`loadscribe_device_up%7Bdevice=%22controller%22%7D`) == "1"
	})
	eventually(t, "a scrape without the token", 60*time.Second, func() bool { return value(`up%7Bjob=%22stranger%22%7D`) != "" })
	if got := value(`up%7Bjob=%22stranger%22%7D`); got != "0" {
		t.Errorf("without the token: up is %q\n%s\n%s", got, answer, output)
	}
}

// A certificate given by its files is served, on loopback too, and re-read.
func TestGivenCertificateIsServed(t *testing.T) {
	made := t.TempDir()
	if _, err := door.OpenCertificate(door.CertificateOptions{Dir: made, Names: []string{"air.example"}}); err != nil {
		t.Fatal(err)
	}
	keys := fmt.Sprintf("tls = { certificate = %q, key = %q }\n", filepath.Join(made, "certificate.pem"), filepath.Join(made, "key.pem"))
	_, site, u, in := onNetwork(t, "127.0.0.1:0", keys)
	conn, err := (&tls.Dialer{Config: &tls.Config{InsecureSkipVerify: true}}).DialContext(context.Background(), "tcp", in.Address)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	leaf := conn.(*tls.Conn).ConnectionState().PeerCertificates[0]
	if err := leaf.VerifyHostname("air.example"); err != nil || door.Fingerprint(leaf.Raw) != in.Fingerprint {
		t.Errorf("%v; the fingerprint in agent.json is %s", err, in.Fingerprint)
	}
	if strings.Contains(u.stdout.String(), "set-up code") {
		t.Errorf("sign-in is asked for on loopback: %s", u.stdout)
	}
	mustRun(t, "levels", "--site", site)
}

// What is said of a taken port names the scheme that the pages then have.
func TestLoopbackScheme(t *testing.T) {
	site := &sitefile.Site{}
	if got := loopbackScheme(site); got != "http" {
		t.Errorf("without files: %s", got)
	}
	site.Agent.TLS.Certificate = "shop.pem"
	if got := loopbackScheme(site); got != "https" {
		t.Errorf("with a certificate given: %s", got)
	}
}
