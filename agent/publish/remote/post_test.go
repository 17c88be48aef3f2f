package remote

import (
	"context"
	"crypto/tls"
	"encoding/pem"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"loadscribe/agent/outward"
	"loadscribe/testdata/peers"
	"loadscribe/testdata/vectors"
)

func posterFor(t *testing.T, c Config) *poster {
	t.Helper()
	c.Name = "head office"
	if err := c.Check(); err != nil {
		t.Fatal(err)
	}
	p, err := newPoster(c, "", nil, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(p.close)
	return p
}

func serve(t *testing.T, h http.HandlerFunc) string {
	t.Helper()
	s := httptest.NewServer(h)
	t.Cleanup(s.Close)
	return s.URL
}

func write(t *testing.T, name, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// TestRequest: what a receiver gets is what remote write 1.0 asks for, with the secrets
// of the files as they are at that time.
func TestRequest(t *testing.T) {
	var got *http.Request
	var body []byte
	url := serve(t, func(w http.ResponseWriter, r *http.Request) {
		got = r
		body, _ = io.ReadAll(r.Body)
		w.WriteHeader(http.StatusNoContent)
	})
	token, key := write(t, "token", "first\n"), write(t, "key", "k")
	p := posterFor(t, Config{URL: url + "/api/v1/write", TokenFile: token, Headers: []Header{{Name: "X-Tenant", Value: "shop 7"}, {Name: "X-Key", File: key}}})
	for _, secret := range []string{"first", "second"} {
		if err := os.WriteFile(token, []byte(secret), 0o600); err != nil {
			t.Fatal(err)
		}
		series := (&scans{series: 3}).at(0)
		if a := p.post(t.Context(), payload(series)); a.verdict != taken {
			t.Fatalf("%+v", a)
		}
		sent, err := decodePayload(body)
		if err != nil || !sameSeries(sent, series) || got.Method != http.MethodPost || got.URL.Path != "/api/v1/write" {
			t.Errorf("%s %s: %v, %v", got.Method, got.URL, sent, err)
		}
		for name, want := range map[string]string{"Content-Type": "application/x-protobuf", "Content-Encoding": "snappy", "User-Agent": "loadscribe",
			"X-Prometheus-Remote-Write-Version": "0.1.0", "Authorization": "Bearer " + secret, "X-Tenant": "shop 7", "X-Key": "k"} {
			if got.Header.Get(name) != want {
				t.Errorf("%s: %q, want %q", name, got.Header.Get(name), want)
			}
		}
	}
	basic := posterFor(t, Config{URL: url, User: "me", PasswordFile: write(t, "password", "hush hush\n")})
	if a := basic.post(t.Context(), payload(nil)); a.verdict != taken {
		t.Fatalf("%+v", a)
	}
	if user, password, ok := got.BasicAuth(); !ok || user != "me" || password != "hush hush" {
		t.Errorf("user %q, password %q", user, password)
	}
}

// TestPublishedRules holds what a status means to remote_write_rules.csv. Set-up
// faults (401, 403, 404) are held in place of dropped, which is ours: the package
// comment says why.
func TestPublishedRules(t *testing.T) {
	ours := map[string]verdict{"401": held, "403": held, "404": held, "415": held}
	seen := 0
	for _, row := range vectors.Read(t, "remote_write_rules.csv") {
		for code := range strings.SplitSeq(row["http_status"], ",") {
			first, last, ranged := strings.Cut(code, "-")
			if !ranged {
				last = first
			}
			for _, status := range []string{first, last} {
				want, known := ours[status]
				action := row["sender_action"]
				switch {
				case known:
				case strings.HasPrefix(action, "success"):
					want = taken
				case strings.HasPrefix(action, "drop"):
					want = refused
				case strings.Contains(action, "retry with backoff"):
					want = later
				default:
					t.Fatalf("%s: what is %q?", code, action)
				}
				n := 0
				for _, digit := range status {
					n = n*10 + int(digit-'0')
				}
				if a := judge(n, status, "", 0); a.verdict != want {
					t.Errorf("%s: verdict %d, want %d", status, a.verdict, want)
				}
				seen++
			}
		}
	}
	if seen < 12 {
		t.Errorf("%d statuses looked at", seen)
	}
}

// TestReasons: the words of receivers.
func TestReasons(t *testing.T) {
	for words, want := range map[string]string{
		"out of order sample":            ReasonOutOfOrder,
		"err-sample-out-of-order":        ReasonOutOfOrder,
		"out of bounds":                  ReasonTooOld,
		"too old sample":                 ReasonTooOld,
		"duplicate sample for timestamp": ReasonDuplicate,
		"label name too long":            ReasonOther,
		"":                               ReasonOther,
	} {
		if a := judge(400, "400", words, 0); a.reason != want {
			t.Errorf("%q: %s, want %s", words, a.reason, want)
		}
	}
	if a := judge(413, "413", "duplicate", 0); a.reason != ReasonTooLarge {
		t.Errorf("413: %s", a.reason)
	}
}

// TestRepliesAreBounded: a body without end, a slow one and a head without end cost
// their bound, and the status decides.
func TestRepliesAreBounded(t *testing.T) {
	endless := func(w http.ResponseWriter, r *http.Request) {
		chunk := []byte(strings.Repeat("x\n", 4096))
		for r.Context().Err() == nil {
			if _, err := w.Write(chunk); err != nil {
				return
			}
		}
	}
	slow := func(w http.ResponseWriter, r *http.Request) {
		w.(http.Flusher).Flush()
		<-r.Context().Done()
	}
	for name, c := range map[string]struct {
		code int
		body http.HandlerFunc
		want verdict
	}{
		"endless 200": {200, endless, taken}, "endless 400": {400, endless, refused}, "endless 503": {503, endless, later}, "slow 204": {200, slow, taken},
	} {
		p := posterFor(t, Config{URL: serve(t, func(w http.ResponseWriter, r *http.Request) {
			io.Copy(io.Discard, r.Body)
			w.WriteHeader(c.code)
			c.body(w, r)
		})})
		ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
		a := p.post(ctx, payload(nil))
		if a.verdict != c.want || len(a.said) > 500 || ctx.Err() != nil {
			t.Errorf("%s: %+v", name, a)
		}
		cancel()
	}
	p := posterFor(t, Config{URL: serve(t, func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("X-Long", strings.Repeat("x", 2*outward.MostHead))
	})})
	if a := p.post(t.Context(), payload(nil)); a.verdict != later {
		t.Errorf("a long head: %+v", a)
	}
}

// TestNoRedirect: nothing goes to where a receiver points, the token least of all.
func TestNoRedirect(t *testing.T) {
	there := 0
	other := serve(t, func(http.ResponseWriter, *http.Request) { there++ })
	for _, code := range []int{301, 302, 303, 307, 308} {
		p := posterFor(t, Config{URL: serve(t, func(w http.ResponseWriter, r *http.Request) { http.Redirect(w, r, other, code) }), TokenFile: write(t, "token", "t")})
		if a := p.post(t.Context(), payload(nil)); a.verdict != held || there != 0 {
			t.Errorf("%d: %+v, %d requests there", code, a, there)
		}
	}
}

// TestSecretsStayInside: a receiver that repeats what it was sent tells nobody here of
// it, and what is wrong with a file is said without what is in it.
func TestSecretsStayInside(t *testing.T) {
	url := serve(t, func(w http.ResponseWriter, r *http.Request) {
		w.WriteHeader(http.StatusBadRequest)
		io.WriteString(w, r.URL.String()+" "+r.Header.Get("Authorization")+" "+r.Header.Get("X-Key"))
	})
	key := write(t, "key", "hush-key")
	for name, c := range map[string]Config{
		"token":    {TokenFile: write(t, "token", "hush-token")},
		"password": {User: "me", PasswordFile: write(t, "password", "hush-password")},
	} {
		c.URL, c.Headers = url+"/hush-path?key=hush-query", []Header{{Name: "X-Key", File: key}}
		a := posterFor(t, c).post(t.Context(), payload(nil))
		if a.verdict != refused || strings.Contains(a.said, "hush") || strings.Contains(a.said, "bWU6") || !strings.Contains(a.said, "(secret)") {
			t.Errorf("%s: %+v", name, a)
		}
	}
	for _, text := range []string{"", "hush\nhush", "hush\x00", strings.Repeat("hush", 2000)} {
		a := posterFor(t, Config{URL: url, TokenFile: write(t, "token", text)}).post(t.Context(), payload(nil))
		if a.verdict != held || strings.Contains(a.said, "hush") {
			t.Errorf("%.10q: %+v", text, a)
		}
	}
	a := posterFor(t, Config{URL: url, TokenFile: filepath.Join(t.TempDir(), "none")}).post(t.Context(), payload(nil))
	if a.verdict != held || !strings.Contains(a.said, "there is no file") {
		t.Errorf("no file: %+v", a)
	}
}

// TestTrust: who cannot prove who it is gets nothing; a given CA file holds, and a new
// one holds at once; plain HTTP leaves this computer under no name.
func TestTrust(t *testing.T) {
	got := 0
	s := httptest.NewUnstartedServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { got++ }))
	s.Config.ErrorLog = slog.NewLogLogger(slog.DiscardHandler, slog.LevelError)
	s.StartTLS()
	defer s.Close()
	ca := write(t, "ca.pem", "no certificate")
	p := posterFor(t, Config{URL: s.URL, CAFile: ca})
	if a := p.post(t.Context(), payload(nil)); a.verdict != held || !strings.Contains(a.said, "no certificate in PEM") {
		t.Errorf("a bad CA file: %+v", a)
	}
	if a := posterFor(t, Config{URL: s.URL}).post(t.Context(), payload(nil)); a.verdict != held || got != 0 || !strings.Contains(a.said, "does not prove who it is") {
		t.Errorf("unknown issuer: %+v, %d requests", a, got)
	}
	text := pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: s.Certificate().Raw})
	if err := os.WriteFile(ca, text, 0o600); err != nil {
		t.Fatal(err)
	}
	if a := p.post(t.Context(), payload(nil)); a.verdict != taken || got != 1 {
		t.Errorf("known issuer: %+v, %d requests", a, got)
	}
	if a := posterFor(t, Config{URL: strings.Replace(s.URL, "127.0.0.1", "localhost", 1), CAFile: ca}).post(t.Context(), payload(nil)); a.verdict != held || got != 1 {
		t.Errorf("another name: %+v, %d requests", a, got)
	}
	if err := os.Remove(ca); err != nil {
		t.Fatal(err)
	}
	if a := p.post(t.Context(), payload(nil)); a.verdict != held {
		t.Errorf("no CA file: %+v", a)
	}
	plain := serve(t, func(http.ResponseWriter, *http.Request) { got++ })
	if a := posterFor(t, Config{URL: strings.Replace(plain, "http:", "https:", 1)}).post(t.Context(), payload(nil)); a.verdict != held || got != 1 {
		t.Errorf("no TLS there: %+v", a)
	}
	asks := httptest.NewUnstartedServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { got++ }))
	asks.Config.ErrorLog, asks.TLS = s.Config.ErrorLog, &tls.Config{ClientAuth: tls.RequireAnyClientCert}
	asks.StartTLS()
	defer asks.Close()
	if err := os.WriteFile(ca, text, 0o600); err != nil {
		t.Fatal(err)
	}
	if a := posterFor(t, Config{URL: asks.URL, CAFile: ca}).post(t.Context(), payload(nil)); a.verdict != held || got != 1 {
		t.Errorf("a certificate is asked for: %+v", a)
	}
	if a := posterFor(t, Config{URL: "http://192.0.2.1:9/"}).post(t.Context(), payload(nil)); a.verdict != held || !strings.Contains(a.said, "use https") {
		t.Errorf("plain http leaves: %+v", a)
	}
}

// TestNotThere: a port where nobody listens is no answer that could have been taken.
func TestNotThere(t *testing.T) {
	const nobody = "http://127.0.0.1:1/" // tcpmux, which nobody serves
	if a := posterFor(t, Config{URL: nobody}).post(t.Context(), payload(nil)); a.verdict != later || a.unclear {
		t.Errorf("%+v", a)
	}
	gone := serve(t, func(w http.ResponseWriter, r *http.Request) {
		conn, _, err := http.NewResponseController(w).Hijack()
		if err == nil {
			conn.Close()
		}
	})
	if a := posterFor(t, Config{URL: gone}).post(t.Context(), payload(nil)); a.verdict != later || !a.unclear {
		t.Errorf("closed: %+v", a)
	}
}

// TestNobodyThere: a receiver that is not reached is told of in a person's words, and
// nothing was sent to it.
func TestNobodyThere(t *testing.T) {
	port := peers.FreePort(t)
	p, err := newPoster(Config{Name: "owner", URL: fmt.Sprintf("http://127.0.0.1:%d/hush", port)}, "", nil, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	defer p.close()
	a := p.post(t.Context(), payload([]Series{{[]Label{{NameLabel, "a"}}, []Sample{{1, 1}}}}))
	if want := fmt.Sprintf("nobody answers at 127.0.0.1:%d: connection refused", port); a.said != want || a.verdict != later || a.unclear {
		t.Errorf("got %+v, want %q", a, want)
	}
}
