package dashboard

import (
	"errors"
	"io"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"loadscribe/dashboard/door"
)

// TestSlowHandshakes: who speaks TLS slowly, half, or not at all keeps a connection
// as long as who sends a slow head: ten seconds.
func TestSlowHandshakes(t *testing.T) {
	certificate, err := door.OpenCertificate(door.CertificateOptions{Dir: t.TempDir()})
	if err != nil {
		t.Fatal(err)
	}
	const record = "\x16\x03\x01\x40\x00\x01\x00\x3f\xfc\x03\x03" // RFC 8446, 5.1 and 4.1.2: a ClientHello of 16380 bytes
	for _, tt := range []struct {
		name, first, drip string
		answers           string
		atMost            time.Duration
	}{
		{"says nothing", "", "", "", 11 * time.Second},
		{"half a record's head", record[:3], "", "", 11 * time.Second},
		{"a hello that never ends", record, "\x00", "", 11 * time.Second},
		{"no TLS at all", "\x00\x01\x02\x03\x04\x05", "", "", time.Second},
		{"plain HTTP", "GET / HTTP/1.1\r\n", "", "https://", time.Second},
	} {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				s, err := New(newShop(), Options{Pages: testPages(), Certificate: certificate})
				if err != nil {
					t.Fatal(err)
				}
				onWires(t, s, func(w *wires) {
					conn := w.dial()
					defer conn.Close()
					began := time.Now()
					got := make(chan string, 1)
					go func() {
						all, _ := io.ReadAll(conn) // however it ends, it has ended
						got <- string(all)
					}()
					_, err := io.WriteString(conn, tt.first)
					for err == nil && tt.drip != "" {
						time.Sleep(time.Second)
						_, err = io.WriteString(conn, tt.drip)
					}
					answer := <-got
					if took := time.Since(began); took > tt.atMost {
						t.Errorf("it had the connection for %v, at most %v", took, tt.atMost)
					}
					if !strings.Contains(answer, tt.answers) {
						t.Errorf("answered %q, want %q", answer, tt.answers)
					}
				})
			})
		})
	}
}

// A scrape that does not take its answer is cut off.
func TestSlowScrape(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newShop()
		s, err := New(b, Options{Pages: testPages(), Metrics: b})
		if err != nil {
			t.Fatal(err)
		}
		onWires(t, s, func(w *wires) {
			conn := w.dial()
			defer conn.Close()
			if _, err := io.WriteString(conn, "GET /metrics HTTP/1.1\r\nHost: 127.0.0.1:8477\r\n\r\n"); err != nil {
				t.Fatal(err)
			}
			time.Sleep(writeLimit + time.Second)
			synctest.Wait()
			if err := conn.SetReadDeadline(time.Now()); !errors.Is(err, io.ErrClosedPipe) {
				t.Errorf("the server still waits (%v)", err)
			}
		})
	})
}
