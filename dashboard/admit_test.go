package dashboard

import (
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"loadscribe/dashboard/door"
)

// /metrics takes the scrape token, which is good for nothing else; health says to
// strangers that it is so, not why.
func TestScrapeAndHealth(t *testing.T) {
	s, people := signInServer(t)
	token, err := s.door.ScrapeToken(false)
	if err != nil {
		t.Fatal(err)
	}
	bears := []string{"Authorization", "Bearer " + token}
	if w := get(s, "/metrics", bears...); w.Code != 200 || !strings.Contains(w.Body.String(), "loadscribe_") {
		t.Errorf("with the token: %d", w.Code)
	}
	for name, header := range map[string][]string{"nothing": nil, "an empty token": {"Authorization", "Bearer "}, "a wrong one": {"Authorization", "Bearer " + token[1:] + "0"}, "basic": {"Authorization", "Basic " + token}} {
		if w := get(s, "/metrics", header...); w.Code != 401 {
			t.Errorf("with %s: %d", name, w.Code)
		}
	}
	if w := get(s, "/metrics", "Cookie", people["look"]); w.Code != 200 {
		t.Errorf("who is signed in: %d", w.Code)
	}
	for _, target := range []string{"/api/v1/state", "/api/v1/sitefile", "/api/v1/door/people"} {
		if w := get(s, target, bears...); w.Code != 401 {
			t.Errorf("%s with the scrape token: %d", target, w.Code)
		}
	}
	b := newShop()
	b.unready = "line bus does not answer"
	d := newTestDoor(t, nil)
	s = newTestServer(t, b, Options{Door: d, SignIn: true})
	if w := get(s, "/readyz"); w.Code != 503 || strings.TrimSpace(w.Body.String()) != "not ready" {
		t.Errorf("readyz tells a stranger %d %q", w.Code, w.Body)
	}
	if w := get(s, "/readyz", "Cookie", cookieOf(t, s, "A. Looker", lookPassword)); !strings.Contains(w.Body.String(), "line bus") {
		t.Errorf("readyz tells who signed in %q", w.Body)
	}
	if w := get(s, "/healthz"); w.Code != 200 || w.Body.String() != "ok\n" {
		t.Errorf("healthz: %d %q", w.Code, w.Body)
	}
}

// Without sign-in nothing asks for it, and only local commands may prepare people.
func TestWithoutSignIn(t *testing.T) {
	d := newTestDoor(t, nil)
	s := newTestServer(t, newShop(), Options{Secret: "0123abcd", Door: d})
	if a := doorOf(t, get(s, "/api/v1/door")); a.SignIn || a.SetUp || a.Role != door.Operate || a.Person != nil {
		t.Errorf("%+v", a)
	}
	if w := get(s, "/api/v1/state"); w.Code != 200 {
		t.Errorf("the state: %d", w.Code)
	}
	for _, target := range []string{"/api/v1/door/in", "/api/v1/door/out", "/api/v1/door/set-up", "/api/v1/door/password"} {
		body := map[string]string{"in": `{"name":"x","password":"y"}`, "out": `{}`, "set-up": `{"code":"","name":"","password":""}`, "password": `{"old":"","new":""}`}[target[len("/api/v1/door/"):]]
		if w := asPage(s, target, body, ""); w.Code != 409 {
			t.Errorf("%s: %d %s", target, w.Code, w.Body)
		}
	}
	if w := asPage(s, "/api/v1/door/people", `{"name":"Thief","role":"operate","password":"a third word or two"}`, ""); w.Code != 403 {
		t.Errorf("any page adds people: %d %s", w.Code, w.Body)
	}
	if w := get(s, "/api/v1/door/people", "Authorization", "Bearer 0123abcd"); w.Code != 200 {
		t.Errorf("a local command: %d", w.Code)
	}
}

// Two agents on a host do not sign people out of one another: a host's cookies are
// shared between its ports.
func TestTwoAgents(t *testing.T) {
	var servers []*Server
	jar := map[string]string{}
	for _, port := range []string{"8477", "8478"} {
		s := newTestServer(t, newShop(), Options{Door: newTestDoor(t, nil), SignIn: true, CookiePort: port})
		name, value, _ := strings.Cut(cookieOf(t, s, "R. Vale", operatePassword), "=")
		jar[name] = value
		servers = append(servers, s)
	}
	var all []string
	for name, value := range jar {
		all = append(all, name+"="+value)
	}
	for i, s := range servers {
		if w := get(s, "/api/v1/state", "Cookie", strings.Join(all, "; ")); w.Code != 200 {
			t.Errorf("agent %d: %d", i, w.Code)
		}
		if w := get(s, "/api/v1/state", "Cookie", strings.ReplaceAll(strings.Join(all, "; "), map[int]string{0: "8477", 1: "8478"}[i], "x")); w.Code != 401 {
			t.Errorf("agent %d takes the other's session: %d", i, w.Code)
		}
	}
}

// whenRead is a body that does something before it comes.
type whenRead struct {
	do   func()
	text *strings.Reader
}

func (b *whenRead) Read(p []byte) (int, error) {
	if b.do != nil {
		b.do()
		b.do = nil
	}
	return b.text.Read(p)
}

// Who is removed, or may only look, while the body of what they ask is still to
// come does not get it done.
func TestRoleLostWhileABodyComes(t *testing.T) {
	for name, tt := range map[string]struct {
		lose func(d *door.Door) error
		want int
	}{
		"removed":  {func(d *door.Door) error { return d.Remove("a test", "R. Vale") }, 401},
		"may look": {func(d *door.Door) error { return d.AddOrChange(t.Context(), "a test", "R. Vale", door.Look, "") }, 403},
		"as ever":  {func(*door.Door) error { return nil }, 200},
	} {
		s, people := signInServer(t)
		if err := s.door.AddOrChange(t.Context(), "a test", "Second", door.Operate, "a third word or two"); err != nil {
			t.Fatal(err)
		}
		body := &whenRead{func() {
			if err := tt.lose(s.door); err != nil {
				t.Error(err)
			}
		}, strings.NewReader(`{"name":"Thief","role":"operate","password":"four words for later"}`)}
		r := httptest.NewRequest(http.MethodPost, "/api/v1/door/people", body)
		r.Host = "127.0.0.1:8477"
		r.Header.Set("Content-Type", "application/json")
		r.Header.Set("Origin", pageOrigin)
		r.Header.Set("Cookie", people["operate"])
		w := httptest.NewRecorder()
		s.Handler().ServeHTTP(w, r)
		if w.Code != tt.want {
			t.Errorf("%s: %d %s", name, w.Code, w.Body)
		}
		for _, p := range s.door.People() {
			if p.Name == "Thief" && tt.want != 200 {
				t.Errorf("%s: added somebody all the same", name)
			}
		}
	}
}

// A page that is served over http:// under our own name and port, as who is in
// between can, is none of ours where we speak TLS.
func TestPlainPageOfOurOwnName(t *testing.T) {
	s, _ := signInServer(t)
	for origin, want := range map[string]bool{"https://127.0.0.1:8477": true, "HTTPS://127.0.0.1:8477": true, "http://127.0.0.1:8477": false, "ws://127.0.0.1:8477": false} {
		r := httptest.NewRequest(http.MethodGet, "https://127.0.0.1:8477/api/v1/live", nil)
		r.Header.Set("Origin", origin)
		if e := s.guard.originAllowed(r); (e == nil) != want {
			t.Errorf("%s over TLS: %v", origin, e)
		}
	}
	r := httptest.NewRequest(http.MethodGet, "http://127.0.0.1:8477/api/v1/live", nil)
	r.Header.Set("Origin", "https://127.0.0.1:8477")
	if e := s.guard.originAllowed(r); e != nil {
		t.Errorf("a proxy that speaks TLS: %v", e)
	}
}

// What an answer repeats of a request is short, and whole characters.
func TestAnswersRepeatLittle(t *testing.T) {
	s, people := signInServer(t)
	long := strings.Repeat("ü", 30_000)
	for target, body := range map[string]string{
		"/api/v1/door/people": `{"name":"Wall","role":"` + long + `"}`,
		"/api/v1/door/out":    `{"` + long + `":1}`,
	} {
		w := asPage(s, target, body, people["operate"])
		if w.Code != 400 || w.Body.Len() > mostMessage+200 || strings.Contains(w.Body.String(), "\uFFFD") || strings.Contains(w.Body.String(), `\ufffd`) {
			t.Errorf("%s: %d with %d bytes", target, w.Code, w.Body.Len())
		}
	}
	if got := clip(long); len(got) > 110 || strings.Contains(strings.ToValidUTF8(got, "\uFFFD"), "\uFFFD") {
		t.Errorf("clipped to %q", got)
	}
	if got := clip("x" + long); strings.ToValidUTF8(got, "") != got {
		t.Errorf("half a character is left: %q", got)
	}
}

// OPTIONS * gets our headers and checks, not net/http's own answer.
func TestEveryAnswerHasThePolicy(t *testing.T) {
	s, _ := signInServer(t)
	r := run(t, s)
	for _, ask := range []string{"OPTIONS * HTTP/1.1", "OPTIONS /api/v1/state HTTP/1.1", "HEAD /api/v1/export?from=-1d HTTP/1.1", "TRACE / HTTP/1.1", "GET //api/v1/state HTTP/1.1"} {
		for _, host := range []string{r.addr, "evil.example"} {
			conn, err := net.Dial("tcp", r.addr)
			if err != nil {
				t.Fatal(err)
			}
			if _, err := fmt.Fprintf(conn, "%s\r\nHost: %s\r\nConnection: close\r\n\r\n", ask, host); err != nil {
				t.Fatal(err)
			}
			answer, err := io.ReadAll(conn)
			conn.Close()
			if err != nil || !strings.Contains(string(answer), "\r\nContent-Security-Policy: default-src 'none'") {
				t.Errorf("%s from %s: %v %q", ask, host, err, answer)
			}
			if host == "evil.example" && !strings.HasPrefix(string(answer), "HTTP/1.1 403") {
				t.Errorf("%s from %s: %q", ask, host, answer)
			}
		}
	}
}
