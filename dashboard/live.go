package dashboard

import (
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"sync"
	"time"

	"github.com/coder/websocket"

	"loadscribe/dashboard/door"
)

// serveLive is one live socket from its opening to its end. One goroutine
// reads, one pings, this one writes.
func (s *Server) serveLive(w http.ResponseWriter, r *http.Request) {
	if e := s.guard.originAllowed(r); e != nil {
		writeError(w, e)
		return
	}
	// Asked without an upgrade, the library answers in plain text with a
	// status; ours says it in the API's shape.
	if r.Header.Get("Upgrade") == "" {
		writeError(w, &apiError{http.StatusUpgradeRequired, "", "this is a WebSocket: open it with ws://"})
		return
	}
	ctx, cancel := context.WithCancel(s.live)
	defer cancel()
	l := &liveConn{server: s, cancel: cancel, ready: make(chan struct{}), session: callerOf(r).session}
	c, e := s.hub.add(l.kick)
	if e != nil {
		writeError(w, e)
		return
	}
	defer s.hub.conns.Done()
	defer s.hub.remove(c)
	l.client = c
	conn, err := websocket.Accept(w, r, &websocket.AcceptOptions{
		OriginPatterns: s.guard.originPatterns(), CompressionMode: websocket.CompressionDisabled,
	})
	if err != nil {
		close(l.ready)
		return // Accept has answered
	}
	conn.SetReadLimit(maxRequestBytes)
	l.conn = conn
	close(l.ready)
	l.serve(ctx)
}

// maxRequestBytes bounds what a client may send: {"type":"snapshot"}.
const maxRequestBytes = 1024

// liveConn is one socket with what works on it.
type liveConn struct {
	server *Server
	client *client
	// session is whose it is; nil: no sign-in is asked for, or a local command.
	session *door.Session
	cancel  context.CancelFunc
	conn    *websocket.Conn
	ready   chan struct{} // closed once conn is set, or will never be
	work    sync.WaitGroup
}

func (l *liveConn) serve(ctx context.Context) {
	l.work.Add(3)
	go func() { defer l.work.Done(); l.read(ctx) }()
	go func() { defer l.work.Done(); l.ping(ctx) }()
	// The hub ends every connection, since http.Server.Shutdown knows nothing
	// of them. Close sends the code and waits for the other side's.
	go func() {
		defer l.work.Done()
		select {
		case <-l.server.liveEnd:
			l.conn.Close(websocket.StatusGoingAway, "the agent is stopping")
			l.cancel()
		case <-ctx.Done():
		}
	}()
	if l.session != nil {
		l.work.Go(func() { l.leaveWithSession(ctx) })
	}
	l.write(ctx)
	l.cancel()
	l.conn.CloseNow() // frees read and ping; an error means it is closed already
	l.work.Wait()
}

// sessionOver is the code that closes a socket whose session is over.
const sessionOver websocket.StatusCode = 4401

// leaveWithSession closes the socket when its session is over.
func (l *liveConn) leaveWithSession(ctx context.Context) {
	for {
		again, ok := l.server.door.Stays(l.session)
		if !ok {
			break
		}
		timer := time.NewTimer(again)
		select {
		case <-timer.C:
		case <-l.session.Ended():
		case <-ctx.Done():
		}
		timer.Stop()
		if ctx.Err() != nil {
			return
		}
	}
	<-l.session.Ended()
	l.conn.Close(sessionOver, clip(l.session.Why()))
	l.cancel()
}

// write sends what is queued until the connection ends.
func (l *liveConn) write(ctx context.Context) {
	var lastSnapshot time.Time
	for {
		m, ok := l.server.hub.next(l.client)
		if !ok {
			select {
			case <-l.client.wake:
				continue
			case <-ctx.Done():
				return
			}
		}
		data := m.data
		if m.snapshot {
			if !pause(ctx, l.server.hub.limits.snapshotEvery-time.Since(lastSnapshot)) {
				return
			}
			lastSnapshot = time.Now()
			body, err := json.Marshal(l.server.stateAt(m.seq))
			if err != nil {
				l.server.log.Error("live snapshot", "err", err)
				l.conn.Close(websocket.StatusInternalError, "the state cannot be written")
				return
			}
			data = envelope(m.seq, "snapshot", body)
		}
		if err := l.send(ctx, data); err != nil {
			return
		}
	}
}

func (l *liveConn) send(ctx context.Context, data []byte) error {
	limit, cancel := context.WithTimeout(ctx, l.server.hub.limits.write)
	defer cancel()
	err := l.conn.Write(limit, websocket.MessageText, data)
	if errors.Is(limit.Err(), context.DeadlineExceeded) {
		l.server.hub.stalled(l.client)
	}
	return err
}

// pause waits for d; false means that ctx ended first.
func pause(ctx context.Context, d time.Duration) bool {
	if d <= 0 {
		return ctx.Err() == nil
	}
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-timer.C:
		return true
	case <-ctx.Done():
		return false
	}
}

// read is the connection's only reader. Without one no pong and no close would
// be seen.
func (l *liveConn) read(ctx context.Context) {
	defer l.cancel()
	for {
		_, data, err := l.conn.Read(ctx)
		if err != nil {
			return
		}
		var request struct {
			Type string `json:"type"`
		}
		if json.Unmarshal(data, &request) != nil || request.Type != "snapshot" {
			l.conn.Close(websocket.StatusPolicyViolation, `only {"type":"snapshot"} is understood`)
			return
		}
		l.server.hub.snapshot(l.client)
	}
}

// ping ends the connection when the other side is gone without a word.
func (l *liveConn) ping(ctx context.Context) {
	limits := l.server.hub.limits
	for pause(ctx, limits.pingEvery) {
		limit, cancel := context.WithTimeout(ctx, limits.pingWait)
		err := l.conn.Ping(limit)
		cancel()
		if err != nil {
			l.cancel()
			return
		}
	}
}

// kick ends a connection that is too far behind, with a code that says to come
// again. It does not wait: the hub's lock is held. Closing ends the writer even
// where it hangs in a write.
func (l *liveConn) kick() {
	l.server.hub.conns.Add(1)
	go func() {
		defer l.server.hub.conns.Done()
		<-l.ready
		if l.conn != nil {
			l.conn.Close(websocket.StatusTryAgainLater, "too far behind: connect again")
		}
		l.cancel()
	}()
}
