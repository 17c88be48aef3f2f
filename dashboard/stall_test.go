package dashboard

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/coder/websocket"

	"loadscribe/agent"
	"loadscribe/agent/store"
)

// upgrade asks a host for a live socket.
const upgrade = "GET /api/v1/live HTTP/1.1\r\nHost: %s\r\nConnection: Upgrade\r\nUpgrade: websocket\r\n" +
	"Sec-WebSocket-Version: 13\r\nSec-WebSocket-Key: AAAAAAAAAAAAAAAAAAAAAA==\r\n\r\n"

// stalledClient upgrades and then never reads, with a small receive buffer.
func stalledClient(t *testing.T, r *running) net.Conn {
	t.Helper()
	conn, err := net.Dial("tcp", r.addr)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	if err := conn.(*net.TCPConn).SetReadBuffer(4096); err != nil {
		t.Fatal(err)
	}
	fmt.Fprintf(conn, upgrade, r.addr)
	resp, err := http.ReadResponse(bufio.NewReaderSize(conn, 512), nil)
	if err != nil || resp.StatusCode != http.StatusSwitchingProtocols {
		t.Fatalf("upgrade: %v %v", resp, err)
	}
	return conn
}

// One browser that stops reading: the others get every message, its queue stays
// within its bound, and it is closed and counted.
func TestStalledClientHarmsNobody(t *testing.T) {
	s := newTestServer(t, newShop(), Options{})
	s.hub.limits.queue = 64
	s.hub.limits.write = time.Minute // it is the queue that tells: a busy computer is no stalled client
	r := run(t, s)
	stalledClient(t, r)
	const healthy, rounds, batch = 4, 60, 50
	var conns []*websocket.Conn
	for range healthy {
		conn := dial(t, r, nil)
		read(t, conn)
		conns = append(conns, conn)
	}
	payload := strings.Repeat("x", 8<<10) // 24 MB in all, far beyond the socket buffers
	worst := 0
	seq := uint64(0)
	for range rounds {
		for i := range batch {
			r.Publish("event", store.Event{Seq: uint64(i), WallMS: noon, Text: payload})
		}
		worst = max(worst, longestQueue(s.hub))
		for range batch {
			seq++
			for i, conn := range conns {
				_, text, err := conn.Read(deadline(t))
				if err != nil {
					t.Fatalf("healthy client %d: %v", i, err)
				}
				if want := fmt.Sprintf(`{"seq":%d,`, seq); !strings.HasPrefix(string(text), want) {
					t.Fatalf("healthy client %d: %.40s, want %s", i, text, want)
				}
			}
		}
	}
	if worst > s.hub.limits.queue {
		t.Errorf("a queue held %d messages, its bound is %d", worst, s.hub.limits.queue)
	}
	wait(t, "the stalled client to be closed", func() bool { return s.Live().Kicked == 1 && s.Live().Clients == healthy })
}

// A client that stops reading while all messages can be coalesced is not cut
// off by its queue, but by the deadline of the write.
func TestWriteDeadline(t *testing.T) {
	s := newTestServer(t, newShop(), Options{})
	s.hub.limits.write = 200 * time.Millisecond
	r := run(t, s)
	stalledClient(t, r)
	big := agent.ScanUpdate{Time: noon, Device: strings.Repeat("d", 64<<10), Group: "1s", Reason: "good", Values: map[string]*float64{}}
	wait(t, "the stalled client to be closed", func() bool {
		r.Publish("scan", big)
		return s.Live().Kicked == 1 && s.Live().Clients == 0
	})
}

// A client that is too far behind but still reads is told so by a code.
func TestBehindClientGetsACode(t *testing.T) {
	s := newTestServer(t, newShop(), Options{})
	s.hub.limits.queue = 8
	r := run(t, s)
	conn := dial(t, r, nil)
	read(t, conn)
	for i := range 5000 { // faster than it reads
		r.Publish("event", store.Event{Seq: uint64(i), WallMS: noon, Text: strings.Repeat("x", 4<<10)})
	}
	for {
		_, _, err := conn.Read(deadline(t))
		if err == nil {
			continue
		}
		if websocket.CloseStatus(err) != websocket.StatusTryAgainLater {
			t.Errorf("closed with %v, want status %d", err, websocket.StatusTryAgainLater)
		}
		break
	}
	if s.Live().Kicked != 1 {
		t.Errorf("%d kicked", s.Live().Kicked)
	}
}

// Who takes all that it is sent and answers no ping is gone 75 s later; who answers stays.
func TestPingFindsTheDead(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newTestServer(t, newShop(), Options{})
		onWires(t, s, func(w *wires) {
			alive := w.live(t)
			defer alive.CloseNow()
			var readers sync.WaitGroup
			readers.Go(func() {
				for { // a reader answers pings
					if _, _, err := alive.Read(context.Background()); err != nil {
						return
					}
				}
			})
			dead := w.dial()
			fmt.Fprintf(dead, upgrade, "127.0.0.1:8477")
			readers.Go(func() { _, _ = io.Copy(io.Discard, dead) }) // however it ends
			limits := s.hub.limits
			time.Sleep(limits.pingEvery + limits.pingWait - time.Second)
			synctest.Wait()
			if n := s.Live().Clients; n != 2 {
				t.Errorf("%d clients before the time for an answer is over", n)
			}
			time.Sleep(10 * time.Minute)
			synctest.Wait()
			if n := s.Live().Clients; n != 1 {
				t.Errorf("%d clients, want the one that answers", n)
			}
			alive.CloseNow()
			dead.Close()
			readers.Wait()
		})
	})
}

// 100 clients at shutdown: all hear "going away", all goroutines end.
func TestShutdownSaysGoodbye(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newTestServer(t, newShop(), Options{})
		onWires(t, s, func(w *wires) {
			const n = 100
			codes := make(chan websocket.StatusCode, n)
			for range n {
				conn := w.live(t)
				go func() {
					var err error
					for err == nil {
						_, _, err = conn.Read(context.Background())
					}
					codes <- websocket.CloseStatus(err)
				}()
			}
			synctest.Wait() // each has its snapshot
			w.stopsInTime(t)
			for range n {
				if code := <-codes; code != websocket.StatusGoingAway {
					t.Errorf("closed with %v, want %v", code, websocket.StatusGoingAway)
				}
			}
			if s.Live().Clients != 0 {
				t.Errorf("%d clients are left", s.Live().Clients)
			}
		})
	})
}

// A stalled client cannot hold up the end either.
func TestShutdownWithStalledClient(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newTestServer(t, newShop(), Options{})
		onWires(t, s, func(w *wires) {
			stalled := w.dial()
			defer stalled.Close()
			fmt.Fprintf(stalled, upgrade, "127.0.0.1:8477")
			if answer, err := http.ReadResponse(bufio.NewReaderSize(stalled, 512), nil); err != nil || answer.StatusCode != http.StatusSwitchingProtocols {
				t.Fatalf("upgrade: %v %v", answer, err)
			}
			for range 400 {
				s.Publish("event", store.Event{WallMS: noon, Text: strings.Repeat("x", 32<<10)})
			}
			synctest.Wait()
			w.stopsInTime(t)
		})
	})
}

// stopsInTime stops the server, by the bubble's clock within its budget.
func (w *wires) stopsInTime(t *testing.T) {
	t.Helper()
	began := time.Now()
	if err := w.stop(); err != nil {
		t.Error(err)
	}
	if took := time.Since(began); took > ShutdownBudget {
		t.Errorf("stopping took %v, the budget is %v", took, ShutdownBudget)
	}
}

func longestQueue(h *hub) int {
	h.mu.Lock()
	defer h.mu.Unlock()
	longest := 0
	for c := range h.clients {
		longest = max(longest, len(c.queue))
	}
	return longest
}

// wait polls for something that must come to pass.
func wait(t *testing.T, what string, done func() bool) {
	t.Helper()
	for end := time.Now().Add(30 * time.Second); !done(); time.Sleep(5 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("waited in vain for %s", what)
		}
	}
}
