package agent

import (
	"context"
	"net/http"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"loadscribe/agent/scan"
	"loadscribe/testdata/engine"
)

// TestTakesLessThanIsRecorded: a receiver is slow while what waits for it is old and
// gets no less old, and not while it catches up, be it with an outage or with a week.
func TestTakesLessThanIsRecorded(t *testing.T) {
	minute := time.Minute.Milliseconds()
	for name, c := range map[string]struct {
		behind  func(at int64) int64 // in minutes, of minutes
		failing func(at int64) bool
		slow    func(at int64) bool // nil: never
	}{
		"in good order":       {behind: func(int64) int64 { return 1 }},
		"slow from the start": {behind: func(at int64) int64 { return at }, slow: func(at int64) bool { return at >= 35 }},
		"just as much as is recorded": {behind: func(at int64) int64 { return min(at, 40) },
			slow: func(at int64) bool { return at >= 35 }},
		"a week is caught up": {behind: func(at int64) int64 { return max(0, 7*24*60-at) }},
		"an outage of two hours, caught up as slowly": {behind: func(at int64) int64 { return max(0, min(at, 240-at)) },
			failing: func(at int64) bool { return at < 120 }},
		"behind, and mended at 100": {behind: func(at int64) int64 { return max(0, min(at, 200-at)) }, slow: func(at int64) bool { return at >= 35 && at < 115 }},
	} {
		l := &lagWatch{}
		for at := int64(0); at < 300; at++ {
			failing := c.failing != nil && c.failing(at)
			want := c.slow != nil && c.slow(at)
			if got := l.slow(c.behind(at)*minute, at*minute, failing); got != want {
				t.Errorf("%s: after %d min: slow %v, want %v", name, at, got, want)
				break
			}
		}
	}
}

// gate is a receiver that answers nothing while it is shut, however long that is.
type gate struct {
	*engine.Engine
	shut sync.RWMutex // locked: it is
}

func (g *gate) RoundTrip(r *http.Request) (*http.Response, error) {
	g.shut.RLock()
	defer g.shut.RUnlock()
	return g.Engine.RoundTrip(r)
}

// TestSlowReceiverRaisesTheAlarm: a receiver that takes less than is recorded, and never
// fails, raises "not delivered", and is told of on the pages; once it has taken all, the
// alarm goes.
func TestSlowReceiverRaisesTheAlarm(t *testing.T) {
	g := &gate{Engine: engine.New(http.StatusNoContent)}
	clock := &manualClock{mono: 1000, wall: testStartMS}
	r := openAlarmRig(t, t.TempDir(), `
[[remote_write]]
name = "owner"
url = "https://metrics.example/"
every = "1s"
[[alarm]]
name = "not sent"
on = "not delivered"
after = "1s"
clear_after = "0s"
`, clock, Options{RemoteTransport: func(string) http.RoundTripper { return g }})
	ctx, cancel := context.WithCancel(t.Context())
	stop := start(ctx, make(chan error, 1), r.a.sendingParts()[0].run)
	defer func() { cancel(); stop(); r.keep(); _ = r.a.Close() }()
	record := func(later time.Duration) {
		t.Helper()
		clock.advance(later.Milliseconds())
		mono, wall := clock.Now()
		if err := r.a.store.Append([]scan.Scan{{Group: r.a.groups[0], MonoMS: mono, WallMS: wall, Values: make([]int64, len(r.a.groups[0].Channels))}}); err != nil {
			t.Fatal(err)
		}
		if err := r.a.store.Sync(); err != nil {
			t.Fatal(err)
		}
		r.a.lookAtAlarms()
		clock.advance(2000)
		r.a.lookAtAlarms() // what is bad for longer than the rule's time is raised
	}
	standing := func() string {
		for _, s := range r.alarms().Standing {
			if s.Subject == "owner" && s.Returned == 0 {
				return s.Text
			}
		}
		return ""
	}
	one := func() RemoteWrite {
		all, err := r.a.RemoteWrites()
		if err != nil {
			t.Fatal(err)
		}
		return all.Receivers[0]
	}
	for range 5 {
		record(time.Second)
	}
	eventually(t, "the first samples", func() bool { return g.Count() > 0 && one().Newest != 0 })
	g.shut.Lock()
	open := sync.OnceFunc(g.shut.Unlock)
	defer open()
	for range 9 { // nothing is old enough, or got no less old for long enough
		record(4 * time.Minute)
		if text := standing(); text != "" {
			t.Errorf("too early: %q", text)
		}
	}
	for range 4 {
		record(4 * time.Minute)
	}
	if text := standing(); !strings.Contains(text, "what is sent to owner: it takes less than is recorded") {
		t.Errorf("a slow receiver: standing %q, %+v", text, one())
	}
	if st := one(); st.State != remoteSending || !strings.HasPrefix(st.Why, "it takes less than is recorded") || st.Mend == "" {
		t.Errorf("on the page: %+v", st)
	}
	m, err := r.a.Missed(0, r.a.Now().UnixMilli()+1)
	if err != nil || !slices.ContainsFunc(m.ToDo, func(d MissedToDo) bool {
		return d.About == "receiver" && strings.HasPrefix(d.What, "owner is behind: ")
	}) {
		t.Errorf("to do %+v, %v", m.ToDo, err)
	}
	open()
	eventually(t, "all to be sent, and the alarm to go", func() bool {
		record(time.Second)
		return standing() == ""
	})
}
