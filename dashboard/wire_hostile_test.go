package dashboard

import (
	"bufio"
	"context"
	"errors"
	"io"
	"net"
	"net/http"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/coder/websocket"

	"loadscribe/agent/scan"
)

// wires is a listener whose connections are pipes, so that minutes of waiting
// pass at once in a synctest bubble.
type wires struct {
	next chan net.Conn
	shut chan struct{}
	stop func() error // ends the server, once
}

func (w *wires) Accept() (net.Conn, error) {
	select {
	case conn := <-w.next:
		return conn, nil
	case <-w.shut:
		return nil, net.ErrClosed
	}
}

func (w *wires) Close() error {
	select {
	case <-w.shut:
	default:
		close(w.shut)
	}
	return nil
}

func (w *wires) Addr() net.Addr { return &net.TCPAddr{IP: net.IPv4(127, 0, 0, 1), Port: 8477} }

// dial is a connection to the server.
func (w *wires) dial() net.Conn {
	near, far := net.Pipe()
	w.next <- far
	return near
}

// local is an end of a wire whose other end is on this computer, which may have many.
type local struct{ net.Conn }

func (local) RemoteAddr() net.Addr { return &net.TCPAddr{IP: net.IPv4(127, 0, 0, 1), Port: 40000} }

// live is a live socket of the server's.
func (w *wires) live(t *testing.T) *websocket.Conn {
	t.Helper()
	near, far := net.Pipe()
	wire := &http.Transport{DialContext: func(context.Context, string, string) (net.Conn, error) {
		w.next <- local{far}
		return near, nil
	}}
	conn, _, err := websocket.Dial(t.Context(), "ws://127.0.0.1:8477/api/v1/live", &websocket.DialOptions{HTTPClient: &http.Client{Transport: wire}})
	if err != nil {
		t.Fatal(err)
	}
	conn.SetReadLimit(1 << 20)
	return conn
}

// onWires runs f with the real server, its limits included, in a bubble.
func onWires(t *testing.T, s *Server, f func(w *wires)) {
	w := &wires{next: make(chan net.Conn), shut: make(chan struct{})}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- s.Run(ctx, w) }()
	w.stop = sync.OnceValue(func() error { cancel(); return <-ended })
	f(w)
	if err := w.stop(); err != nil {
		t.Errorf("stop: %v", err)
	}
}

// A client that is slow on purpose keeps its connection for a bounded time: in the
// head of a request, in its body, before it, between two, and in the answer.
func TestSlowClients(t *testing.T) {
	const head = "GET /api/v1/state HTTP/1.1\r\nHost: 127.0.0.1:8477\r\n"
	const body = "POST /api/v1/notes HTTP/1.1\r\nHost: 127.0.0.1:8477\r\nAuthorization: Bearer 0123abcd\r\nContent-Type: application/json\r\nContent-Length: 60000\r\n\r\n{"
	for _, tt := range []struct {
		name    string
		first   string // sent at once
		drip    string // sent every second from then on; empty: nothing more
		reads   bool
		atMost  time.Duration
		answers string // part of what comes back; empty: nothing need come
	}{
		{"says nothing", "", "", true, 11 * time.Second, ""},
		{"a head that never ends", head, "X", true, 11 * time.Second, ""},
		{"header after header", head, "X-A: b\r\n", true, 11 * time.Second, ""},
		{"a body that never ends", body, " ", true, 32 * time.Second, "400 Bad Request"},
		{"a body that does not come", body, "", true, 32 * time.Second, "400 Bad Request"},
		{"nothing more after an answer", head + "\r\n", "", true, 2*time.Minute + time.Second, "200 OK"},
		{"does not take the answer", head + "\r\n", "", false, 31 * time.Second, ""},
		{"does not take an export", "GET /api/v1/export?from=-7d HTTP/1.1\r\nHost: 127.0.0.1:8477\r\n\r\n", "", false, 31 * time.Second, ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				s := newCommandShopServer(t, &commandShop{shop: newShop()}, Options{Secret: "0123abcd"})
				onWires(t, s, func(w *wires) {
					conn := w.dial()
					defer conn.Close()
					began := time.Now()
					got := make(chan string, 1)
					if tt.reads {
						go func() {
							all, _ := io.ReadAll(conn) // however it ends, it has ended
							got <- string(all)
						}()
					}
					_, err := io.WriteString(conn, tt.first)
					for err == nil && tt.drip != "" {
						time.Sleep(time.Second)
						_, err = io.WriteString(conn, tt.drip)
					}
					answer := ""
					if tt.reads {
						answer = <-got
					} else {
						time.Sleep(tt.atMost)
						synctest.Wait()
						// A pipe whose other end is closed takes no deadline.
						if err := conn.SetReadDeadline(time.Now()); !errors.Is(err, io.ErrClosedPipe) {
							t.Errorf("after %v the server still waits (%v)", tt.atMost, err)
						}
					}
					if took := time.Since(began); took > tt.atMost {
						t.Errorf("it had the connection for %v, at most %v", took, tt.atMost)
					}
					if !strings.Contains(answer, tt.answers) {
						t.Errorf("answered %.200q, want %q", answer, tt.answers)
					}
					if n := s.exports.held() + len(s.heavy.slots); n > 0 {
						t.Errorf("%d places are still held", n)
					}
				})
			})
		})
	}
}

// longShop has more to export than fits into any buffer on the way.
type longShop struct{ *shop }

func (b *longShop) Scans(_, _ int64, _ []string, fn func(*scan.Scan) error) error {
	for i := range 200_000 {
		s := b.scans[0].Clone()
		s.WallMS, s.Seq = noon+int64(i)*1000, uint64(i+1)
		if err := fn(&s); err != nil {
			return err
		}
	}
	return nil
}

// Exports are few at a time. A client that takes a drop now and then must not have
// one of the places for days: whoever is slower than a slow telephone is cut off.
func TestSlowReaderOfAnExport(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newShop()
		s, err := New(&longShop{b}, Options{Pages: testPages()})
		if err != nil {
			t.Fatal(err)
		}
		onWires(t, s, func(w *wires) {
			conn := w.dial()
			defer conn.Close()
			if _, err := io.WriteString(conn, "GET /api/v1/export?from=-7d HTTP/1.1\r\nHost: 127.0.0.1:8477\r\n\r\n"); err != nil {
				t.Fatal(err)
			}
			began, n := time.Now(), 0
			drop := make([]byte, 1)
			var failed error
			for failed == nil && time.Since(began) < time.Hour {
				var k int
				k, failed = conn.Read(drop)
				n += k
				time.Sleep(100 * time.Millisecond)
			}
			if took := time.Since(began); took > time.Minute || failed == nil {
				t.Errorf("a reader of %d bytes had the export for %v: %v", n, took, failed)
			}
			synctest.Wait()
			if s.exports.held() > 0 {
				t.Error("its place is still held")
			}
		})
	})
}

// What is too large or cannot be meant is refused without being read to its end,
// and others are served meanwhile.
func TestOversizedRequests(t *testing.T) {
	s := newCommandShopServer(t, &commandShop{shop: newShop()}, Options{Secret: "0123abcd"})
	// net/http lets a connection that it refuses linger for half a second.
	t.Cleanup(func() { time.Sleep(600 * time.Millisecond) })
	r := run(t, s)
	host := "Host: 127.0.0.1\r\n"
	note := "POST /api/v1/notes HTTP/1.1\r\n" + host + "Authorization: Bearer 0123abcd\r\nContent-Type: application/json\r\n"
	long := strings.Repeat("a", 100<<10)
	for _, tt := range []struct {
		name, first, forever string
		status               int
	}{
		{"a line of 100 KiB", "GET /" + long + " HTTP/1.1\r\n" + host + "\r\n", "", 431},
		{"a header of 100 KiB", "GET / HTTP/1.1\r\n" + host + "X-A: " + long + "\r\n\r\n", "", 431},
		{"ten thousand headers", "GET / HTTP/1.1\r\n" + host + strings.Repeat("X-A: b\r\n", 10_000) + "\r\n", "", 431},
		{"headers without end", "GET / HTTP/1.1\r\n" + host, "X-A: b\r\n", 431},
		{"a query of 9 KiB", "GET /api/v1/series?channel=" + long[:9<<10] + " HTTP/1.1\r\n" + host + "\r\n", "", 400},
		{"a body of 10 GB", note + "Content-Length: 10737418240\r\n\r\n{\"text\":\"", long, 400},
		{"chunks without end", note + "Transfer-Encoding: chunked\r\n\r\n", "4\r\n    \r\n", 400},
		{"a chunk that says it is 2^60 bytes", note + "Transfer-Encoding: chunked\r\n\r\n1000000000000000\r\n", long, 400},
		{"chunk extensions without end", note + "Transfer-Encoding: chunked\r\n\r\n1;" + long, long, 400},
		{"two lengths", note + "Content-Length: 2\r\nContent-Length: 3\r\n\r\n{}", "", 400},
		{"a length below nought", note + "Content-Length: -1\r\n\r\n{}", "", 400},
		{"a length that is no number", note + "Content-Length: 0x10\r\n\r\n{}", "", 400},
		{"an unknown coding of the body", note + "Transfer-Encoding: gzip, chunked\r\n\r\n0\r\n\r\n", "", 501},
		{"no host", "GET / HTTP/1.1\r\n\r\n", "", 400},
		{"two hosts", "GET / HTTP/1.1\r\n" + host + "Host: evil.example\r\n\r\n", "", 400},
		{"a header's name with a space", "GET / HTTP/1.1\r\n" + host + "X A: b\r\n\r\n", "", 400},
		{"a header of an escape", "GET / HTTP/1.1\r\n" + host + "X-A: \x1b[2J\r\n\r\n", "", 400},
		{"a version that is not", "GET / HTTP/9.9\r\n" + host + "\r\n", "", 505},
		{"no HTTP at all", "\x16\x03\x01\x00\xa5\x01\x00\x00\xa1\x03\x03\r\n\r\n", "", 400},
		{"a proxy's request", "GET http://evil.example/ HTTP/1.1\r\n" + host + "\r\n", "", 403},
		{"a tunnel", "CONNECT evil.example:443 HTTP/1.1\r\nHost: evil.example:443\r\n\r\n", "", 403},
		{"a tunnel to ourselves", "CONNECT 127.0.0.1:443 HTTP/1.1\r\nHost: 127.0.0.1:443\r\n\r\n", "", 404},
		{"an upgrade to HTTP/2", "PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n", "", 403},
	} {
		t.Run(tt.name, func(t *testing.T) {
			conn, err := net.Dial("tcp", r.addr)
			if err != nil {
				t.Fatal(err)
			}
			defer conn.Close()
			if err := conn.SetDeadline(time.Now().Add(time.Minute)); err != nil {
				t.Fatal(err)
			}
			sent := make(chan int, 1)
			go func() {
				n, err := io.WriteString(conn, tt.first)
				for err == nil && tt.forever != "" {
					var k int
					k, err = io.WriteString(conn, tt.forever)
					n += k
				}
				sent <- n // it ends because the server closes, or with the test
			}()
			resp, err := http.ReadResponse(bufio.NewReader(conn), nil)
			if err != nil {
				t.Fatal(err)
			}
			if resp.StatusCode != tt.status {
				t.Errorf("answered %s, want %d", resp.Status, tt.status)
			}
			if w := get(s, "/healthz"); w.Code != 200 {
				t.Errorf("others get %d", w.Code)
			}
			if _, err := io.Copy(io.Discard, io.LimitReader(resp.Body, 1<<20)); err != nil && tt.forever == "" {
				t.Error(err)
			}
			conn.Close()
			if n := <-sent; n > 32<<20 {
				t.Errorf("%d bytes were taken of it", n)
			}
		})
	}
}
