package dashboard

import (
	"context"
	"errors"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/coder/websocket"

	"loadscribe/dashboard/door"
)

// closed waits for the end of a live socket and returns its code and reason. It
// waits for less than the 30 s after which a socket asks by itself.
func closed(t *testing.T, conn *websocket.Conn) (int, string) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	for {
		_, _, err := conn.Read(ctx)
		var end websocket.CloseError
		switch {
		case errors.As(err, &end):
			return int(end.Code), end.Reason
		case err != nil:
			t.Fatalf("the socket ended without a code: %v", err)
		}
	}
}

// TestRevocationCutsTheSocket: who is signed out, removed or ended loses the live
// socket at once, with a code that makes the page ask for sign-in.
func TestRevocationCutsTheSocket(t *testing.T) {
	d := newTestDoor(t, nil)
	s := newTestServer(t, newShop(), Options{Door: d, SignIn: true})
	r := run(t, s)
	watch := func() *websocket.Conn {
		conn := dial(t, r, http.Header{"Cookie": {cookieOf(t, s, "A. Looker", lookPassword)}, "Origin": {"http://" + r.addr}})
		read(t, conn) // the snapshot
		return conn
	}
	for why, cut := range map[string]func() error{
		"R. Vale gave A. Looker a new password": func() error { return d.AddOrChange(t.Context(), "R. Vale", "A. Looker", "", lookPassword) },
		"was ended by R. Vale":                  func() error { return d.EndSession("R. Vale", d.Sessions("A. Looker")[0].ID, "") },
		"may no longer sign in": func() error {
			if err := d.Remove("R. Vale", "A. Looker"); err != nil {
				return err
			}
			return d.AddOrChange(t.Context(), "R. Vale", "A. Looker", door.Look, lookPassword)
		},
	} {
		conn := watch()
		if err := cut(); err != nil {
			t.Fatal(err)
		}
		if code, reason := closed(t, conn); code != 4401 || !strings.Contains(reason, why) {
			t.Errorf("%s: closed with %d %q", why, code, reason)
		}
	}
}

// An idle session of who operates loses its socket by itself; that of a screen
// stays.
func TestIdleSessionLosesTheSocket(t *testing.T) {
	d := newTestDoor(t, func(o *door.Options) { o.OperateIdle = 3 * time.Second })
	s := newTestServer(t, newShop(), Options{Door: d, SignIn: true})
	r := run(t, s)
	screen := dial(t, r, http.Header{"Cookie": {cookieOf(t, s, "A. Looker", lookPassword)}})
	read(t, screen)
	conn := dial(t, r, http.Header{"Cookie": {cookieOf(t, s, "R. Vale", operatePassword)}})
	if code, reason := closed(t, conn); code != 4401 || !strings.Contains(reason, "without use") {
		t.Errorf("closed with %d %q", code, reason)
	}
	if n := len(d.Sessions("A. Looker")); n != 1 {
		t.Errorf("the screen has %d sessions", n)
	}
	if err := screen.Ping(screen.CloseRead(deadline(t))); err != nil {
		t.Errorf("the screen's socket: %v", err)
	}
}

// TestCrossSiteSocket: a foreign page opens no live socket, with a session's cookie
// or without.
func TestCrossSiteSocket(t *testing.T) {
	s, people := signInServer(t)
	r := run(t, s)
	for name, tt := range map[string]struct {
		header http.Header
		want   int
	}{
		"nobody":                 {http.Header{}, 401},
		"the page without":       {http.Header{"Origin": {"http://" + r.addr}}, 401},
		"a foreign page":         {http.Header{"Origin": {"https://evil.example"}, "Cookie": {people["operate"]}}, 403},
		"another port of ours":   {http.Header{"Origin": {"http://127.0.0.1:1"}, "Cookie": {people["operate"]}}, 403},
		"a sandboxed page":       {http.Header{"Origin": {"null"}, "Cookie": {people["operate"]}}, 403},
		"a made-up session":      {http.Header{"Cookie": {"loadscribe-8477=" + strings.Repeat("A", 43)}}, 401},
		"the scrape token":       {http.Header{"Authorization": {"Bearer " + scrapeTokenOf(t, s)}}, 401},
		"the page with a cookie": {http.Header{"Origin": {"http://" + r.addr}, "Cookie": {people["look"]}}, 101},
	} {
		conn, answer, err := websocket.Dial(deadline(t), "ws://"+r.addr+"/api/v1/live", &websocket.DialOptions{HTTPHeader: tt.header})
		if answer == nil {
			t.Fatalf("%s: %v", name, err)
		}
		if answer.StatusCode != tt.want {
			t.Errorf("%s: %d, want %d", name, answer.StatusCode, tt.want)
		}
		if conn != nil {
			conn.CloseNow()
		}
	}
}

func scrapeTokenOf(t *testing.T, s *Server) string {
	t.Helper()
	token, err := s.door.ScrapeToken(false)
	if err != nil {
		t.Fatal(err)
	}
	return token
}
