package dashboard

import (
	"bytes"
	"crypto/tls"
	"io"
	"log/slog"
	"net/http"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"loadscribe/dashboard/door"
)

// logText is a log that several goroutines write to.
type logText struct {
	mu   sync.Mutex // protects text
	text bytes.Buffer
}

// Write implements io.Writer.
func (l *logText) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.Write(p)
}

// lines are what was logged of a level.
func (l *logText) lines(level string) (all []string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for line := range strings.Lines(l.text.String()) {
		if strings.Contains(line, "level="+level+" ") {
			all = append(all, line)
		}
	}
	return all
}

func (l *logText) log() *slog.Logger { return slog.New(slog.NewTextHandler(l, nil)) }

// A browser that does not know the certificate breaks off the handshake before it
// asks whether to go on. That is a first visit, and no warning.
func TestFirstVisitIsNoWarning(t *testing.T) {
	certificate, err := door.OpenCertificate(door.CertificateOptions{Dir: t.TempDir()})
	if err != nil {
		t.Fatal(err)
	}
	var text logText
	r := run(t, newTestServer(t, newShop(), Options{Certificate: certificate, Log: text.log()}))
	for range 20 {
		if conn, err := tls.Dial("tcp", r.addr, &tls.Config{ServerName: "localhost"}); err == nil {
			t.Error("a client that trusts nobody was content with the certificate")
			_ = conn.Close() // the test has failed
		}
	}
	for end := time.Now().Add(10 * time.Second); len(text.lines("INFO")) == 0 && time.Now().Before(end); {
		time.Sleep(5 * time.Millisecond)
	}
	if warned := append(text.lines("WARN"), text.lines("ERROR")...); len(warned) > 0 {
		t.Errorf("a first visit warns: %q", warned)
	}
	if told := text.lines("INFO"); len(told) != 1 || !strings.Contains(told[0], "certificate") {
		t.Errorf("20 visits at once are told as %q, want one line with its reason", told)
	}
	// It hides nothing that is refused meanwhile.
	conn, err := tls.Dial("tcp", r.addr, &tls.Config{InsecureSkipVerify: true})
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	if _, err := io.WriteString(conn, "GET /api/v1/state HTTP/1.1\r\nHost: elsewhere.example\r\nConnection: close\r\n\r\n"); err != nil {
		t.Fatal(err)
	}
	if _, err := io.ReadAll(conn); err != nil {
		t.Fatal(err)
	}
	if warned := text.lines("WARN"); len(warned) != 1 || !strings.Contains(warned[0], "elsewhere.example") {
		t.Errorf("a refused request is told as %q", warned)
	}
}

// What net/http says is told by its kind, once a minute with a count, and no kind
// takes another's place.
func TestComplaints(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var text logText
		c := &complaints{log: text.log()}
		say := func(all ...string) {
			for _, one := range all {
				if n, err := c.Write([]byte(one + "\n")); err != nil || n != len(one)+1 {
					t.Fatalf("wrote %d: %v", n, err)
				}
			}
		}
		for range 50 {
			say("http: TLS handshake error from 192.0.2.7:40112: remote error: tls: unknown certificate")
		}
		say("http: panic serving 192.0.2.7:40112: runtime error\ngoroutine 12 [running]:\n"+strings.Repeat("x", 3000)+"whence\n"+strings.Repeat("y", 9000),
			"http: response.WriteHeader on hijacked connection")
		time.Sleep(time.Minute)
		say("http: TLS handshake error from 192.0.2.8:40113: EOF")
		for level, want := range map[string][]string{
			"INFO":  {"192.0.2.7:40112: remote error: tls: unknown certificate", "192.0.2.8:40113: EOF"},
			"ERROR": {"whence"},
			"WARN":  {"hijacked"},
		} {
			got := text.lines(level)
			if len(got) != len(want) {
				t.Errorf("%s: %q, want %d lines", level, got, len(want))
				continue
			}
			for i, part := range want {
				if !strings.Contains(got[i], part) {
					t.Errorf("%s: %q, want %q in it", level, got[i], part)
				}
			}
		}
		if told := text.lines("INFO"); len(told) == 2 && !strings.Contains(told[1], "ended=50") {
			t.Errorf("the second line is %q, want the 49 since the first and itself counted", told[1])
		}
		if told := text.lines("ERROR"); len(told) == 1 && len(told[0]) > 2*mostPanic {
			t.Errorf("a panic's line has %d bytes", len(told[0]))
		}
	})
}

// A handler that panics is told as an error, with where it came from.
func TestPanicIsTold(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var text logText
		s, err := New(newShop(), Options{Pages: testPages(), Log: text.log()})
		if err != nil {
			t.Fatal(err)
		}
		s.handler = http.HandlerFunc(func(http.ResponseWriter, *http.Request) { panic("a broken invariant") })
		onWires(t, s, func(w *wires) {
			conn := w.dial()
			defer conn.Close()
			if _, err := io.WriteString(conn, "GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n"); err != nil {
				t.Fatal(err)
			}
			if _, err := io.ReadAll(conn); err != nil {
				t.Fatal(err)
			}
			synctest.Wait()
			if told := text.lines("ERROR"); len(told) != 1 || !strings.Contains(told[0], "a broken invariant") || !strings.Contains(told[0], "complaints_test.go") {
				t.Errorf("told as %q", told)
			}
		})
	})
}
