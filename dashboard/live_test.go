package dashboard

import (
	"bufio"
	"context"
	"encoding/json"
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

// running is a Server on a loopback port, stopped at the test's end.
type running struct {
	*Server
	addr string
	stop func() error // once
}

func run(t *testing.T, s *Server) *running {
	t.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- s.Run(ctx, ln) }()
	stop := sync.OnceValue(func() error { cancel(); return <-ended })
	t.Cleanup(func() {
		if err := stop(); err != nil {
			t.Errorf("stop: %v", err)
		}
	})
	return &running{s, ln.Addr().String(), stop}
}

func deadline(t *testing.T) context.Context {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	t.Cleanup(cancel)
	return ctx
}

func dial(t *testing.T, r *running, header http.Header) *websocket.Conn {
	t.Helper()
	conn, _, err := websocket.Dial(deadline(t), "ws://"+r.addr+"/api/v1/live", &websocket.DialOptions{HTTPHeader: header})
	if err != nil {
		t.Fatal(err)
	}
	conn.SetReadLimit(1 << 20)
	t.Cleanup(func() { conn.CloseNow() })
	return conn
}

type received struct {
	Seq  uint64          `json:"seq"`
	Type string          `json:"type"`
	Data json.RawMessage `json:"data"`
}

func read(t *testing.T, conn *websocket.Conn) received {
	t.Helper()
	_, text, err := conn.Read(deadline(t))
	if err != nil {
		t.Fatal(err)
	}
	var r received
	if err := json.Unmarshal(text, &r); err != nil {
		t.Fatalf("%v in %s", err, text)
	}
	readDocument(t).mustFit(t, "LiveEnvelope", text)
	return r
}

func TestLiveMessagesFitTheDocument(t *testing.T) {
	b := newShop()
	r := run(t, newTestServer(t, b, Options{}))
	r.Publish("scan", agent.ScanUpdateOf(&b.scans[0])) // before anybody listens
	conn := dial(t, r, nil)
	first := read(t, conn)
	var state agent.State
	if err := json.Unmarshal(first.Data, &state); err != nil {
		t.Fatal(err)
	}
	if first.Type != "snapshot" || first.Seq != 1 || state.Seq != 1 || *state.Channels["controller.discharge_pressure"].Value != 103.4 {
		t.Fatalf("first message %+v", first)
	}
	for i := range b.scans {
		r.Publish("scan", agent.ScanUpdateOf(&b.scans[i]))
	}
	r.Publish("state", b.state.Machines[0])
	r.Publish("device", b.state.Devices[0])
	r.Publish("line", b.state.Lines[1])
	r.Publish("event", store.Event{Seq: 3, WallMS: noon, Kind: "line_down", Subject: "net", Text: "The line net is down."})
	r.Publish("figures_changed", nil)
	want := []string{"scan", "scan", "scan", "state", "device", "line", "event", "figures_changed"}
	for i, kind := range want {
		if m := read(t, conn); m.Type != kind || m.Seq != uint64(i+2) {
			t.Errorf("message %d: %s seq %d, want %s seq %d", i, m.Type, m.Seq, kind, i+2)
		}
	}
	if err := conn.Write(deadline(t), websocket.MessageText, []byte(`{"type":"snapshot"}`)); err != nil {
		t.Fatal(err)
	}
	if m := read(t, conn); m.Type != "snapshot" || m.Seq != 9 {
		t.Errorf("asked for a snapshot, got %s seq %d", m.Type, m.Seq)
	}
	// The state read over HTTP belongs to the same sequence.
	var st agent.State
	if err := json.Unmarshal(get(r.Server, "/api/v1/state").Body.Bytes(), &st); err != nil || st.Seq != 9 {
		t.Errorf("state has seq %d (%v)", st.Seq, err)
	}
}

func TestLiveRefusesNonsense(t *testing.T) {
	r := run(t, newTestServer(t, newShop(), Options{}))
	for _, text := range []string{"hello", `{"type":"write"}`, `[]`} {
		conn := dial(t, r, nil)
		read(t, conn)
		if err := conn.Write(deadline(t), websocket.MessageText, []byte(text)); err != nil {
			t.Fatal(err)
		}
		_, _, err := conn.Read(deadline(t))
		if websocket.CloseStatus(err) != websocket.StatusPolicyViolation {
			t.Errorf("after %s: %v", text, err)
		}
	}
	conn := dial(t, r, nil)
	read(t, conn)
	if err := conn.Write(deadline(t), websocket.MessageText, []byte(strings.Repeat("x", 2*maxRequestBytes))); err != nil {
		t.Fatal(err)
	}
	if _, _, err := conn.Read(deadline(t)); websocket.CloseStatus(err) != websocket.StatusMessageTooBig {
		t.Errorf("after a long message: %v", err)
	}
}

func TestLiveOrigins(t *testing.T) {
	r := run(t, newTestServer(t, newShop(), Options{Origins: []string{"https://air.example", "http://[2001:db8::1]:80"}}))
	tests := []struct {
		origin string
		ok     bool
	}{
		{"", true}, {"http://" + r.addr, true}, {"https://air.example", true}, {"http://[2001:db8::1]:80", true},
		{"http://air.example", false}, {"https://evil.example", false}, {"null", false}, {"https://air.example.evil.example", false},
		{"http://127.0.0.1:1", false},
	}
	for _, tt := range tests {
		h := http.Header{}
		if tt.origin != "" {
			h.Set("Origin", tt.origin)
		}
		conn, resp, err := websocket.Dial(deadline(t), "ws://"+r.addr+"/api/v1/live", &websocket.DialOptions{HTTPHeader: h})
		if (err == nil) != tt.ok {
			t.Errorf("origin %q: %v, want accepted %v", tt.origin, err, tt.ok)
		}
		if err == nil {
			conn.CloseNow()
		} else if resp == nil || resp.StatusCode != http.StatusForbidden {
			t.Errorf("origin %q: %v", tt.origin, resp)
		}
	}
}

// A proxy in front rewrites Host: the page's origin is then not the Host, and
// counts only if it is listed.
func TestLiveBehindProxy(t *testing.T) {
	listed := run(t, newTestServer(t, newShop(), Options{Origins: []string{"https://air.example"}}))
	conn := dial(t, listed, http.Header{"Origin": {"https://air.example"}, "X-Forwarded-Host": {"air.example"}})
	if m := read(t, conn); m.Type != "snapshot" {
		t.Errorf("first message %s", m.Type)
	}
	unlisted := run(t, newTestServer(t, newShop(), Options{}))
	_, _, err := websocket.Dial(deadline(t), "ws://"+unlisted.addr+"/api/v1/live",
		&websocket.DialOptions{HTTPHeader: http.Header{"Origin": {"https://air.example"}, "X-Forwarded-Host": {"air.example"}}})
	if err == nil {
		t.Error("an unlisted origin was accepted on the word of X-Forwarded-Host")
	}
}

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

// An export whose client has gone, or that is cut by the end, ends its handler.
func TestBrokenExportIsCut(t *testing.T) {
	b := newShop()
	for range 5000 { // more than fits the buffer, so that the header is out
		b.scans = append(b.scans, b.scans[0])
	}
	b.groups = b.groups[:1] // the wide layout then meets a group it does not know
	b.scans = append(b.scans, newShop().scans[2])
	for i := range b.scans {
		b.scans[i].Seq, b.scans[i].WallMS = uint64(i+1), noon+int64(i)*1000
	}
	b.scans[1] = b.scans[0]
	b.scans[2] = b.scans[0]
	r := run(t, newTestServer(t, b, Options{}))
	resp, err := http.Get("http://" + r.addr + "/api/v1/export?from=-1h&layout=wide")
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	lines := 0
	for scanner := bufio.NewScanner(resp.Body); ; lines++ {
		if !scanner.Scan() {
			err = scanner.Err()
			break
		}
	}
	if err == nil || lines < 1000 {
		t.Errorf("a broken export ended in order after %d lines", lines)
	}
	http.DefaultClient.CloseIdleConnections()
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
