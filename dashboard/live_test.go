package dashboard

import (
	"context"
	"encoding/json"
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
	r.Publish("test", agent.TestStatus{Test: "leak", System: "main", Phase: "watch"})
	r.Publish("alarm", nil)
	r.Publish("figures_changed", nil)
	want := []string{"scan", "scan", "scan", "state", "device", "line", "event", "test", "alarm", "figures_changed"}
	for i, kind := range want {
		if m := read(t, conn); m.Type != kind || m.Seq != uint64(i+2) {
			t.Errorf("message %d: %s seq %d, want %s seq %d", i, m.Type, m.Seq, kind, i+2)
		}
	}
	if err := conn.Write(deadline(t), websocket.MessageText, []byte(`{"type":"snapshot"}`)); err != nil {
		t.Fatal(err)
	}
	if m := read(t, conn); m.Type != "snapshot" || m.Seq != 11 {
		t.Errorf("asked for a snapshot, got %s seq %d", m.Type, m.Seq)
	}
	// The state read over HTTP belongs to the same sequence.
	var st agent.State
	if err := json.Unmarshal(get(r.Server, "/api/v1/state").Body.Bytes(), &st); err != nil || st.Seq != 11 {
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
