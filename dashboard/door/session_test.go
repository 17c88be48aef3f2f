package door

import (
	"errors"
	"strings"
	"testing"
	"time"
)

func TestSessionsEnd(t *testing.T) {
	c := newClock()
	d, _ := openTest(t, c)
	if err := d.AddOrChange(t.Context(), "a test", "Wall", Look, otherPassword); err != nil {
		t.Fatal(err)
	}
	token := mustSignIn(t, d, "r. vale", goodPassword, network1)
	if who, _ := d.Use(token); who == nil || who.Name != "R. Vale" || who.Role != Operate {
		t.Fatalf("got %+v", who)
	}
	c.pass(OperateIdle - time.Second)
	if who, why := d.Use(token); who == nil {
		t.Fatalf("before the idle end: %s", why)
	}
	c.pass(OperateIdle - time.Second) // counted from the last use
	who, why := d.Use(token)
	if who == nil {
		t.Fatalf("used in between: %s", why)
	}
	if again, ok := d.Stays(who.Session); !ok || again > stayCheckMost {
		t.Errorf("an open socket: %v %v", again, ok)
	}
	c.pass(OperateIdle - time.Minute)
	d.Stays(who.Session) // an open socket is no use by who operates
	c.pass(time.Minute)
	if who, why := d.Use(token); who != nil || why != "this session ended after 30 min without use" {
		t.Errorf("after the idle end: %+v %q", who, why)
	}
	if _, ok := d.Stays(who.Session); ok {
		t.Error("its socket stays")
	}
	select {
	case <-who.Session.Ended():
	default:
		t.Error("it is not told that it ended")
	}
	// a screen on the wall stays by its socket alone, until seven days
	wall := mustSignIn(t, d, "Wall", otherPassword, network2)
	screen, _ := d.Use(wall)
	for range 6*24 + 23 {
		c.pass(time.Hour)
		if _, ok := d.Stays(screen.Session); !ok {
			t.Fatal("the screen's session ended")
		}
	}
	c.pass(time.Hour)
	if _, ok := d.Stays(screen.Session); ok || !strings.Contains(screen.Session.Why(), "7 days") {
		t.Errorf("after seven days it goes on (%q)", screen.Session.Why())
	}
	if who, why := d.Use("no such token"); who != nil || why != "" {
		t.Errorf("a made-up token: %+v %q", who, why)
	}
}

// Who is removed, gets a new password or is ended is out at once; a change of role
// counts at once.
func TestRevocation(t *testing.T) {
	c := newClock()
	d, _ := openTest(t, c)
	add := func() string {
		if err := d.AddOrChange(t.Context(), "R. Vale", "Wall", Operate, otherPassword); err != nil {
			t.Fatal(err)
		}
		return mustSignIn(t, d, "Wall", otherPassword, network2)
	}
	for name, cut := range map[string]struct {
		do  func(s *Session) error
		why string
	}{
		"removed": {func(*Session) error { return d.Remove("R. Vale", "WALL") }, "may no longer sign in"},
		"new password": {func(*Session) error {
			return d.AddOrChange(t.Context(), "R. Vale", "Wall", "", "another word entirely")
		}, "R. Vale gave Wall a new password"},
		"ended":      {func(s *Session) error { return d.EndSession("R. Vale", s.ID(), "") }, "was ended by R. Vale"},
		"signed out": {func(s *Session) error { d.SignOut(s); return nil }, "signed out"},
	} {
		token := add()
		who, _ := d.Use(token)
		if err := cut.do(who.Session); err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		if again, why := d.Use(token); again != nil || !strings.Contains(why, cut.why) {
			t.Errorf("%s: %+v, %q, want %q", name, again, why, cut.why)
		}
		select {
		case <-who.Session.Ended():
		default:
			t.Errorf("%s: the socket is not told", name)
		}
	}
	token := add()
	if err := d.AddOrChange(t.Context(), "R. Vale", "Wall", Look, ""); err != nil {
		t.Fatal(err)
	}
	if who, _ := d.Use(token); who == nil || who.Role != Look {
		t.Errorf("after the change of role: %+v", who)
	}
	other, _ := d.Use(mustSignIn(t, d, "R. Vale", goodPassword, network1))
	if err := d.EndSession("Wall", other.Session.ID(), "Wall"); !errors.Is(err, ErrNoSession) {
		t.Errorf("somebody else's session: %v, want ErrNoSession", err)
	}
}

// Each sign-in has a token of its own; another password ends all but the new one.
func TestTokens(t *testing.T) {
	c := newClock()
	d, _ := openTest(t, c)
	seen := map[string]bool{}
	for range 10 {
		token := mustSignIn(t, d, "R. Vale", goodPassword, network1)
		if seen[token] || len(token) != 43 { // 256 bits in base64
			t.Fatalf("token %q", token)
		}
		seen[token] = true
		for _, s := range d.Sessions("") {
			if strings.Contains(token, s.ID) || strings.Contains(s.ID, token) {
				t.Error("the id tells of the token")
			}
		}
	}
	var one string
	for one = range seen {
		break
	}
	who, _ := d.Use(one)
	if _, err := d.ChangePassword(t.Context(), who, otherPassword, "another word entirely", network1); !isField(err, "old") {
		t.Errorf("a wrong old password: %v", err)
	}
	if _, err := d.ChangePassword(t.Context(), who, goodPassword, "short", network1); !isField(err, "new") {
		t.Errorf("a short new one: %v", err)
	}
	token, err := d.ChangePassword(t.Context(), who, goodPassword, "another word entirely", network1)
	if err != nil {
		t.Fatal(err)
	}
	for old := range seen {
		if who, _ := d.Use(old); who != nil {
			t.Error("a session of the old password goes on")
		}
	}
	if who, _ := d.Use(token); who == nil {
		t.Error("who changed the password is out")
	}
	c.pass(longestWait)
	if _, err := d.SignIn(t.Context(), "R. Vale", goodPassword, network1); !errors.Is(err, ErrWrongPair) {
		t.Errorf("the old password: %v", err)
	}
}

func TestSessionsAreBounded(t *testing.T) {
	c := newClock()
	d, _ := openTest(t, c)
	d.mu.Lock()
	first, _ := d.openSession("R. Vale", "192.0.2.1", c.Now())
	for range 3 * mostOfOne {
		c.pass(time.Second)
		d.openSession("R. Vale", "192.0.2.1", c.Now())
	}
	d.mu.Unlock()
	if n := len(d.Sessions("R. Vale")); n != mostOfOne {
		t.Errorf("%d sessions of one person, want %d", n, mostOfOne)
	}
	if who, why := d.Use(first); who != nil || !strings.Contains(why, "too many others") {
		t.Errorf("the first: %+v %q", who, why)
	}
	d.mu.Lock()
	for range 2 * mostEnded {
		_, s := d.openSession("R. Vale", "192.0.2.1", c.Now())
		d.end(s, "x")
	}
	n := len(d.ended)
	d.mu.Unlock()
	if n > mostEnded {
		t.Errorf("%d ended sessions are kept in mind", n)
	}
}
