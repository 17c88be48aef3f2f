package messenger

import (
	"compress/gzip"
	"context"
	"crypto/x509"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"
)

// hookAt is a target that posts to url.
func hookAt(t *testing.T, url string, roots *x509.CertPool) *Webhook {
	t.Helper()
	w, err := newWebhook(WebhookConfig{Name: "dispatch", URL: url, SecretFile: secretFile(t, goodSecret)}, slog.New(slog.DiscardHandler), roots)
	if err != nil {
		t.Fatal(err)
	}
	return w
}

func serve(t *testing.T, h http.HandlerFunc) string {
	t.Helper()
	s := httptest.NewServer(h)
	t.Cleanup(s.Close)
	return s.URL
}

// TestWebhookRequest: what a receiver gets, signed so that it can check it.
func TestWebhookRequest(t *testing.T) {
	var got *http.Request
	var body []byte
	url := serve(t, func(w http.ResponseWriter, r *http.Request) {
		got = r
		body, _ = io.ReadAll(r.Body)
		w.WriteHeader(http.StatusNoContent)
	})
	m := message("alarm-17")
	m.Data = map[string]string{"rule": "air end hot"}
	answer, err := hookAt(t, url+"/air?key=hush", nil).Deliver(t.Context(), &m, 3*time.Hour)
	if err != nil || !strings.HasSuffix(answer, "answers 204 No Content") || strings.Contains(answer, "hush") {
		t.Fatalf("answer %q, %v", answer, err)
	}
	if got.Method != http.MethodPost || got.URL.String() != "/air?key=hush" || got.Header.Get("Content-Type") != "application/json" || got.Header.Get("webhook-id") != "alarm-17" {
		t.Errorf("%s %s %v", got.Method, got.URL, got.Header)
	}
	at, err := strconv.ParseInt(got.Header.Get("webhook-timestamp"), 10, 64)
	if since := time.Since(time.Unix(at, 0)); err != nil || since < -time.Second || since > time.Minute {
		t.Errorf("timestamp %q", got.Header.Get("webhook-timestamp"))
	}
	keys, err := signingKeys(goodSecret)
	if err != nil || got.Header.Get("webhook-signature") != signature(keys, "alarm-17", at, body) {
		t.Errorf("signature %q, %v", got.Header.Get("webhook-signature"), err)
	}
	var p posted
	if err := json.Unmarshal(body, &p); err != nil {
		t.Fatal(err)
	}
	if happened, err := time.Parse(time.RFC3339, p.Timestamp); err != nil || happened.UnixMilli() != m.AtMS {
		t.Errorf("timestamp %q, %v", p.Timestamp, err)
	}
	if p.Type != "alarm.raised" || p.Data.LateS != 10800 || p.Data.Subject != m.Subject || p.Data.Text != m.Text || p.Data.Site != m.Site || p.Data.Details["rule"] != "air end hot" {
		t.Errorf("body %s", body)
	}
}

// TestWebhookStatus: what each answer means. The table of statuses is that of the
// Standard Webhooks specification 1.0.0 (read), but that a set-up fault is tried
// again now and then.
func TestWebhookStatus(t *testing.T) {
	status, retry := 0, ""
	url := serve(t, func(w http.ResponseWriter, _ *http.Request) {
		if retry != "" {
			w.Header().Set("Retry-After", retry)
		}
		w.Header().Set("Location", "http://127.0.0.1:1/")
		w.WriteHeader(status)
		if status != http.StatusNoContent && status != http.StatusNotModified {
			fmt.Fprintf(w, "hush\x1b[31m %s", goodSecret)
		}
	})
	target := hookAt(t, url, nil)
	for want, codes := range map[string][]int{
		"taken": {200, 201, 202, 204, 299}, "held": {301, 302, 304, 307, 308, 401, 403, 404, 405, 407, 410},
		"refused": {400, 409, 413, 415, 422, 451}, "later": {408, 425, 429, 500, 501, 502, 503, 504, 599},
	} {
		for _, status = range codes {
			m := message("a")
			_, err := target.Deliver(t.Context(), &m, 0)
			if got := meaning(err); got != want {
				t.Errorf("%d: %s (%v), want %s", status, got, err, want)
			}
			if later := new(Later); errors.As(err, &later) && later.OfMessage != (status == http.StatusInternalServerError) {
				t.Errorf("%d: may be of this message alone: %v", status, later.OfMessage)
			}
			if err != nil && (strings.Contains(err.Error(), goodSecret) || strings.Contains(err.Error(), "\x1b") || !strings.Contains(err.Error(), strconv.Itoa(status))) {
				t.Errorf("%d: %q", status, err)
			}
		}
	}
	status = http.StatusServiceUnavailable
	for _, tt := range []struct {
		header     string
		least, max time.Duration
	}{
		{"120", 2 * time.Minute, 2 * time.Minute}, {"0", 0, 0}, {"", 0, 0}, {"soon", 0, 0}, {"-5", 0, 0}, {"99999999999999999999", 0, 0},
		{"86400", time.Hour, time.Hour},
		{time.Now().Add(10 * time.Minute).UTC().Format(http.TimeFormat), 9 * time.Minute, 10 * time.Minute},
		{"Sun, 06 Nov 1994 08:49:37 GMT", 0, 0}, // the example of RFC 9110, from memory
		{"Fri, 31 Dec 9999 23:59:59 GMT", time.Hour, time.Hour},
	} {
		retry = tt.header
		m := message("a")
		_, err := target.Deliver(t.Context(), &m, 0)
		var later *Later
		if !errors.As(err, &later) || later.After < tt.least || later.After > tt.max {
			t.Errorf("Retry-After %q: %v, want %v to %v", tt.header, err, tt.least, tt.max)
		}
	}
}

// TestWebhookRepeats: a receiver that repeats the address that it does not know, or a
// secret, tells nobody here of it.
func TestWebhookRepeats(t *testing.T) {
	other := secretPrefix + base64.StdEncoding.EncodeToString([]byte("nmlkjihgfedcba9876543210"))
	url := serve(t, func(w http.ResponseWriter, r *http.Request) {
		w.WriteHeader(http.StatusNotFound)
		fmt.Fprintf(w, "Cannot POST %s: no hook hush-hush-x here, key %q; %s or %s", r.RequestURI, r.URL.Query().Get("key"), goodSecret, other)
	})
	target := hookAt(t, url+"/a/hush-hush/hush-hush-x?key=qui%20etly&z=1", nil)
	target.secret.Path = secretFile(t, other+"\n"+goodSecret+"\n")
	m := message("a")
	_, err := target.Deliver(t.Context(), &m, 0)
	if want := "set-up: " + target.url.Host + ` answers 404 Not Found: Cannot POST (secret): no hook (secret) here, key "(secret)"; (secret) or (secret); the address may be a wrong one`; err == nil || err.Error() != want {
		t.Errorf("said\n%v, want\n%s", err, want)
	}
}

// TestWebhookRedirect: a redirect to this computer's own services, or to a cloud's
// metadata, is not followed.
func TestWebhookRedirect(t *testing.T) {
	reached := false
	inner := serve(t, func(http.ResponseWriter, *http.Request) { reached = true })
	for _, to := range []string{inner, "http://169.254.169.254/latest/", "file:///etc/passwd", "//"} {
		for _, status := range []int{301, 302, 303, 307, 308} {
			url := serve(t, func(w http.ResponseWriter, _ *http.Request) {
				w.Header().Set("Location", to)
				w.WriteHeader(status)
			})
			m := message("a")
			_, err := hookAt(t, url, nil).Deliver(t.Context(), &m, 0)
			var held *Held
			if !errors.As(err, &held) {
				t.Errorf("%d to %s: %v", status, to, err)
			}
		}
	}
	if reached {
		t.Error("a redirect was followed")
	}
}

// peerWith answers each connection by raw bytes.
func peerWith(t *testing.T, answer func(net.Conn)) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	var all sync.WaitGroup
	t.Cleanup(func() {
		l.Close()
		all.Wait()
	})
	all.Go(func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			all.Go(func() {
				defer c.Close()
				answer(c)
			})
		}
	})
	return "http://" + l.Addr().String()
}

// readRequest reads a request's head and some of its body.
func readRequest(c net.Conn) { c.Read(make([]byte, 64<<10)) }

// TestWebhookHostile: a peer that answers without end, too slowly, too much, or
// not at all costs neither memory nor more than the whole time; 2xx is believed
// by its status alone.
func TestWebhookHostile(t *testing.T) {
	var went atomic.Int64 // bytes that the peer got rid of
	endless := func(c net.Conn, head, more string) {
		readRequest(c)
		io.WriteString(c, head)
		for range 10_000 { // some 300 MB, if they were read
			n, err := io.WriteString(c, strings.Repeat(more, 1000))
			went.Add(int64(n))
			if err != nil {
				return
			}
		}
	}
	for _, tt := range []struct {
		name  string
		peer  func(net.Conn)
		taken bool
	}{
		{"endless body of a 200", func(c net.Conn) {
			endless(c, "HTTP/1.1 200 OK\r\nContent-Length: 999999999999\r\n\r\n", "abcdefghijklmnopqrstuvwxyz0123")
		}, true},
		{"endless body of a 500", func(c net.Conn) { endless(c, "HTTP/1.1 500 No\r\n\r\n", "abcdefghijklmnopqrstuvwxyz0123") }, false},
		{"endless chunks", func(c net.Conn) {
			endless(c, "HTTP/1.1 500 No\r\nTransfer-Encoding: chunked\r\n\r\n", "10\r\n0123456789abcdef\r\n")
		}, false},
		{"header flood", func(c net.Conn) { endless(c, "HTTP/1.1 200 OK\r\n", "X-A: 0123456789012345678901234\r\n") }, false},
		{"one endless header", func(c net.Conn) { endless(c, "HTTP/1.1 200 OK\r\nX: ", "0123456789012345678901234567890") }, false},
		{"endless status line", func(c net.Conn) { endless(c, "HTTP/1.1 200 ", "0123456789012345678901234567890") }, false},
		{"100 Continue without end", func(c net.Conn) { endless(c, "", "HTTP/1.1 100 Continue\r\nX: 0\r\n\r\n") }, false},
		{"connection reset", func(c net.Conn) { readRequest(c); c.(*net.TCPConn).SetLinger(0) }, false},
		{"nothing and gone", func(net.Conn) {}, false},
		{"no HTTP", func(c net.Conn) { readRequest(c); io.WriteString(c, "220 mail.example ESMTP\r\n") }, false},
	} {
		t.Run(tt.name, func(t *testing.T) {
			target := hookAt(t, peerWith(t, tt.peer), nil)
			went.Store(0)
			m := message("a")
			_, err := target.Deliver(t.Context(), &m, 0)
			if (err == nil) != tt.taken {
				t.Errorf("got %v", err)
			}
			if err != nil && len(err.Error()) > 1000 {
				t.Errorf("the error has %d bytes", len(err.Error()))
			}
			if n := went.Load(); n > 32<<20 { // what the system's buffers hold, at most
				t.Errorf("the peer could send %d MB", n>>20)
			}
		})
	}
}

// TestWebhookSlow: a peer that sends a byte a second, of head or body, has 15
// seconds in all, and a stop ends the wait at once.
func TestWebhookSlow(t *testing.T) {
	for name, head := range map[string]string{"head": "", "body": "HTTP/1.1 500 No\r\nContent-Length: 1000\r\n\r\n"} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				ours, theirs := net.Pipe()
				var all sync.WaitGroup
				all.Go(func() {
					defer theirs.Close()
					readRequest(theirs)
					io.WriteString(theirs, head)
					for range 1000 {
						if _, err := io.WriteString(theirs, "H"); err != nil {
							return
						}
						time.Sleep(time.Second)
					}
				})
				target := hookAt(t, "http://127.0.0.1:9/", nil)
				target.client.Transport.(*http.Transport).DialContext = func(context.Context, string, string) (net.Conn, error) { return ours, nil }
				began := time.Now()
				m := message("a")
				_, err := target.Deliver(t.Context(), &m, 0)
				if took := time.Since(began); err == nil || took > webhookTime+time.Second || took < 10*time.Second {
					t.Errorf("%v after %v", err, took)
				}
				ours.Close()
				all.Wait()
			})
		})
	}
	t.Run("stop", func(t *testing.T) {
		reached := make(chan struct{})
		url := peerWith(t, func(c net.Conn) { readRequest(c); close(reached); io.Copy(io.Discard, c) })
		ctx, cancel := context.WithCancel(t.Context())
		go func() { <-reached; cancel() }()
		m := message("a")
		if _, err := hookAt(t, url, nil).Deliver(ctx, &m, 0); err == nil || !errors.Is(ctx.Err(), context.Canceled) {
			t.Errorf("got %v", err)
		}
	})
}

// TestWebhookPacked: nothing is asked for packed, and what comes packed all the
// same is not unpacked.
func TestWebhookPacked(t *testing.T) {
	asked := ""
	url := serve(t, func(w http.ResponseWriter, r *http.Request) {
		asked = r.Header.Get("Accept-Encoding")
		w.Header().Set("Content-Encoding", "gzip")
		w.WriteHeader(http.StatusBadRequest)
		z := gzip.NewWriter(w)
		defer z.Close()
		zeros := make([]byte, 1<<20)
		for range 64 {
			z.Write(zeros)
		}
	})
	m := message("a")
	_, err := hookAt(t, url, nil).Deliver(t.Context(), &m, 0)
	var refused *Refused
	if asked != "" || !errors.As(err, &refused) || len(refused.Why) > 1000 {
		t.Errorf("asked for %q, got %v", asked, err)
	}
}

// TestWebhookLostReply: the peer takes the message and its answer is lost: it
// comes again under the same webhook-id, and then no more.
func TestWebhookLostReply(t *testing.T) {
	var mu sync.Mutex
	var ids []string
	url := serve(t, func(w http.ResponseWriter, r *http.Request) {
		io.Copy(io.Discard, r.Body)
		mu.Lock()
		defer mu.Unlock()
		ids = append(ids, r.Header.Get("webhook-id"))
		if len(ids) == 1 {
			c, _, err := w.(http.Hijacker).Hijack()
			if err == nil {
				c.Close()
			}
		}
	})
	m := mustOpen(t, t.TempDir(), Options{}, hookAt(t, url, nil))
	stop := running(m)
	defer stop()
	send(t, m, "alarm-1")
	for m.State()[0].FailingSinceMS == 0 {
		time.Sleep(time.Millisecond)
	}
	m.lanes[0].poke(true) // in place of ten seconds
	for m.State()[0].Waiting > 0 {
		time.Sleep(time.Millisecond)
	}
	mu.Lock()
	defer mu.Unlock()
	if len(ids) != 2 || ids[0] != "alarm-1" || ids[1] != "alarm-1" {
		t.Errorf("the peer got %v", ids)
	}
}
