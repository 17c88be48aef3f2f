package dashboard

import (
	"bufio"
	"context"
	"fmt"
	"net"
	"net/http"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/coder/websocket"

	"loadscribe/agent"
	"loadscribe/agent/store"
)

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
	fmt.Fprintf(conn, "GET /api/v1/live HTTP/1.1\r\nHost: %s\r\nConnection: Upgrade\r\nUpgrade: websocket\r\n"+
		"Sec-WebSocket-Version: 13\r\nSec-WebSocket-Key: AAAAAAAAAAAAAAAAAAAAAA==\r\n\r\n", r.addr)
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
	s.hub.limits.write = 2 * time.Second
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

func TestPingFindsTheDead(t *testing.T) {
	s := newTestServer(t, newShop(), Options{})
	s.hub.limits.pingEvery, s.hub.limits.pingWait = 20*time.Millisecond, 100*time.Millisecond
	r := run(t, s)
	stalledClient(t, r) // answers no ping
	alive := dial(t, r, nil)
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	ended := make(chan struct{})
	go func() { // a reader answers pings
		defer close(ended)
		for {
			if _, _, err := alive.Read(ctx); err != nil {
				return
			}
		}
	}()
	wait(t, "the dead client to go", func() bool { return s.Live().Clients == 1 })
	time.Sleep(300 * time.Millisecond)
	if s.Live().Clients != 1 {
		t.Error("the living client is gone too")
	}
	cancel()
	<-ended
}

// 100 clients at shutdown: all hear "going away", all goroutines end.
func TestShutdownSaysGoodbye(t *testing.T) {
	r := run(t, newTestServer(t, newShop(), Options{}))
	const n = 100
	codes := make(chan websocket.StatusCode, n)
	var ready, done sync.WaitGroup
	for range n {
		conn := dial(t, r, nil)
		ready.Add(1)
		done.Go(func() {
			for first := true; ; first = false {
				_, _, err := conn.Read(deadline(t))
				if err != nil {
					codes <- websocket.CloseStatus(err)
					return
				}
				if first {
					ready.Done()
				}
			}
		})
	}
	ready.Wait()
	began := time.Now()
	if err := r.stop(); err != nil {
		t.Error(err)
	}
	if took := time.Since(began); took > ShutdownBudget+time.Second {
		t.Errorf("stopping took %v, the budget is %v", took, ShutdownBudget)
	}
	done.Wait()
	for range n {
		if code := <-codes; code != websocket.StatusGoingAway {
			t.Errorf("closed with %v, want %v", code, websocket.StatusGoingAway)
		}
	}
	if r.Live().Clients != 0 {
		t.Errorf("%d clients are left", r.Live().Clients)
	}
}

// A stalled client cannot hold up the end either.
func TestShutdownWithStalledClient(t *testing.T) {
	s := newTestServer(t, newShop(), Options{})
	r := run(t, s)
	stalledClient(t, r)
	for range 400 {
		r.Publish("event", store.Event{WallMS: noon, Text: strings.Repeat("x", 32<<10)})
	}
	began := time.Now()
	if err := r.stop(); err != nil {
		t.Error(err)
	}
	if took := time.Since(began); took > ShutdownBudget+time.Second {
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
