package door

import (
	"cmp"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"fmt"
	"slices"
	"strings"
	"time"
)

// How long a session lasts without use, and at most. A screen on the wall looks
// for days; who may operate and has gone away is signed out.
const (
	OperateIdle   = 30 * time.Minute
	LookIdle      = 12 * time.Hour
	SessionLife   = 7 * 24 * time.Hour
	mostSessions  = 1000
	mostOfOne     = 50 // sessions of one person
	tokenBytes    = 32
	stayCheckMost = 30 * time.Second
	mostEnded     = 500 // ended sessions of which is known why
)

// Session is one signed-in browser. Its methods may be called from several
// goroutines.
type Session struct {
	id    string   // to end it by; lets nobody in
	sum   [32]byte // SHA-256 of the cookie
	name  string
	began time.Time
	from  string

	last  time.Time     // under Door.mu
	ended chan struct{} // closed when it is over
	why   string        // it is over; set before ended is closed
}

// ID names the session to those who may end it.
func (s *Session) ID() string { return s.id }

// Ended is closed when the session is over.
func (s *Session) Ended() <-chan struct{} { return s.ended }

// Why says why the session is over, once Ended is closed.
func (s *Session) Why() string { return s.why }

// Caller is who is signed in, with the role they have now.
type Caller struct {
	Name    string
	Role    Role
	Session *Session
}

// SessionInfo tells of a session to those who may end it.
type SessionInfo struct {
	ID, Name    string
	Began, Last time.Time
	From        string
}

// open begins a session under d.mu.
func (d *Door) openSession(name, from string, now time.Time) (string, *Session) {
	random := make([]byte, tokenBytes+8)
	rand.Read(random) // never fails: see its documentation
	token := base64.RawURLEncoding.EncodeToString(random[:tokenBytes])
	s := &Session{
		id: hex.EncodeToString(random[tokenBytes:]), sum: sha256.Sum256([]byte(token)),
		name: name, began: now, last: now, from: from, ended: make(chan struct{}),
	}
	d.sweep(now)
	d.crowd(func(o *Session) bool { return strings.EqualFold(o.name, name) }, mostOfOne)
	d.crowd(func(*Session) bool { return true }, mostSessions)
	d.sessions[s.sum] = s
	return token, s
}

// crowd ends the session used longest ago where there is no room for another.
func (d *Door) crowd(which func(*Session) bool, most int) {
	n := 0
	var oldest *Session
	for _, s := range d.sessions {
		if !which(s) {
			continue
		}
		n++
		if oldest == nil || s.last.Before(oldest.last) {
			oldest = s
		}
	}
	if n >= most {
		d.end(oldest, "this session ended: there were too many others")
	}
}

// end ends a session, under d.mu, and keeps in mind why.
func (d *Door) end(s *Session, why string) {
	if d.sessions[s.sum] != s {
		return
	}
	delete(d.sessions, s.sum)
	s.why = why
	close(s.ended)
	for sum := range d.ended { // any one makes room
		if len(d.ended) < mostEnded {
			break
		}
		delete(d.ended, sum)
	}
	d.ended[s.sum] = why
}

// sweep ends what is over, under d.mu.
func (d *Door) sweep(now time.Time) {
	for _, s := range d.sessions {
		if !now.Before(d.endsAt(s)) {
			d.end(s, d.whyOver(s, now))
		}
	}
}

// whyOver says why a session whose time is over is so, under d.mu.
func (d *Door) whyOver(s *Session, now time.Time) string {
	i := d.people.find(s.name)
	switch {
	case i < 0:
		return "this session ended: " + s.name + " may no longer sign in"
	case now.Sub(s.began) >= SessionLife:
		return "this session ended after 7 days: sign in again"
	}
	return "this session ended after " + display(d.idle(d.people.People[i].Role)) + " without use"
}

// display writes a time as people do: "30 min", "12 h".
func display(t time.Duration) string {
	if t >= time.Hour && t%time.Hour == 0 {
		return fmt.Sprintf("%d h", t/time.Hour)
	}
	return fmt.Sprintf("%d min", (t+time.Minute-1)/time.Minute)
}

// endsAt is when a session is over if nobody uses it, under d.mu.
func (d *Door) endsAt(s *Session) time.Time {
	i := d.people.find(s.name)
	if i < 0 {
		return time.Time{}
	}
	idle := s.last.Add(d.idle(d.people.People[i].Role))
	if life := s.began.Add(SessionLife); life.Before(idle) {
		return life
	}
	return idle
}

func (d *Door) idle(role Role) time.Duration {
	if role == Operate {
		return cmp.Or(d.o.OperateIdle, OperateIdle)
	}
	return cmp.Or(d.o.LookIdle, LookIdle)
}

// Idle is how long a session of that role lasts without use.
func (d *Door) Idle(role Role) time.Duration { return d.idle(role) }

// Use finds who bears a session's token and counts as use of it; nil: nobody who
// is signed in, and why, where there was such a session.
func (d *Door) Use(token string) (who *Caller, why string) {
	if token == "" || len(token) > 100 {
		return nil, ""
	}
	sum := sha256.Sum256([]byte(token))
	d.mu.Lock()
	defer d.mu.Unlock()
	s := d.sessions[sum]
	if s == nil {
		return nil, d.ended[sum]
	}
	if who = d.use(s, true); who == nil {
		return nil, s.why
	}
	return who, ""
}

func (d *Door) use(s *Session, asked bool) *Caller {
	now := d.o.Now()
	if !now.Before(d.endsAt(s)) { // also where the person is gone
		d.end(s, d.whyOver(s, now))
		return nil
	}
	who := &d.people.People[d.people.find(s.name)]
	if asked || who.Role == Look {
		s.last = now
	}
	return &Caller{who.Name, who.Role, s}
}

// Stays reports whether a session that a live socket belongs to is not over, and
// when to ask again at the latest. An open socket is use by who looks, such as a
// screen on the wall; it says nothing of who may operate and went away.
func (d *Door) Stays(s *Session) (again time.Duration, ok bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.sessions[s.sum] != s || d.use(s, false) == nil {
		return 0, false
	}
	return min(stayCheckMost, max(time.Millisecond, d.endsAt(s).Sub(d.o.Now()))), true
}

// SignOut ends a session.
func (d *Door) SignOut(s *Session) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.end(s, "signed out")
}

// Sessions lists those of a person, or all where name is empty, the one used last
// first.
func (d *Door) Sessions(name string) []SessionInfo {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.sweep(d.o.Now())
	var list []SessionInfo
	for _, s := range d.sessions {
		if name == "" || strings.EqualFold(s.name, name) {
			list = append(list, SessionInfo{s.id, s.name, s.began, s.last, s.from})
		}
	}
	slices.SortFunc(list, func(a, b SessionInfo) int {
		return cmp.Or(b.Last.Compare(a.Last), cmp.Compare(a.ID, b.ID))
	})
	return list
}

// EndSession ends the session with that id; where name is not empty, only one of
// that person. by is who does it. The error is ErrNoSession.
func (d *Door) EndSession(by, id, name string) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	for _, s := range d.sessions {
		if s.id == id && (name == "" || strings.EqualFold(s.name, name)) {
			d.end(s, "this session was ended by "+by)
			return nil
		}
	}
	return ErrNoSession
}

// EndOthers ends a person's sessions but for one, which may be nil; why is told
// to who was signed in.
func (d *Door) EndOthers(name string, but *Session, why string) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.endOthers(name, but, why)
}

func (d *Door) endOthers(name string, but *Session, why string) {
	for _, s := range d.sessions {
		if s != but && strings.EqualFold(s.name, name) {
			d.end(s, why)
		}
	}
}
