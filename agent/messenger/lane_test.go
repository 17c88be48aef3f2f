package messenger

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"
)

// TestOutage plays a network that is away for three hours while alarms come: they
// all arrive afterwards, in order, each once, with their true times and told how
// late they are.
func TestOutage(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		began := time.Now()
		back := began.Add(3 * time.Hour)
		f := &fakeTarget{name: "dispatch", answer: func(int, *Message) error {
			if time.Now().Before(back) {
				return errors.New("no route")
			}
			return nil
		}}
		other := &fakeTarget{name: "mail"}
		m := mustOpen(t, t.TempDir(), Options{}, f, other)
		stop := running(m)
		var want []string
		for i := range 10 {
			id := fmt.Sprint("alarm-", i)
			want = append(want, id)
			send(t, m, id)
			synctest.Wait()
			if got := len(other.ids()); got != i+1 {
				t.Fatalf("the target that is there has %d of %d messages", got, i+1)
			}
			time.Sleep(10 * time.Minute)
		}
		if s := m.State()[0]; s.Waiting != 10 || s.FailingSinceMS != began.UnixMilli() || s.Why != "no route" || s.LastSentMS != 0 {
			t.Errorf("state %+v", s)
		}
		time.Sleep(time.Until(back))
		time.Sleep(mostWait + time.Second)
		synctest.Wait()
		if got := f.ids(); !slices.Equal(got, want) {
			t.Fatalf("got %v, want %v", got, want)
		}
		for i, m := range f.took {
			at := began.Add(time.Duration(i) * 10 * time.Minute)
			if m.AtMS != at.UnixMilli() || f.lates[i] < back.Sub(at) || f.lates[i] > back.Sub(at)+mostWait {
				t.Errorf("%s: of %v, %v late; want of %v, %v late", m.ID, time.UnixMilli(m.AtMS), f.lates[i], at, back.Sub(at))
			}
		}
		if s := m.State()[0]; s.Waiting != 0 || s.FailingSinceMS != 0 || s.Why != "" || s.GivenUp != 0 || s.LastSentMS == 0 {
			t.Errorf("state afterwards %+v", s)
		}
		stop()
	})
}

// TestBackOff: from ten seconds, doubled, to a quarter of an hour, each up to a
// fifth less; what the target asks for is heeded up to an hour; a set-up fault
// waits a quarter of an hour.
func TestBackOff(t *testing.T) {
	for _, tt := range []struct {
		name string
		err  error
		want []time.Duration // the longest
	}{
		{"failure", errors.New("no"), []time.Duration{10 * time.Second, 20 * time.Second, 40 * time.Second, 80 * time.Second, 160 * time.Second,
			320 * time.Second, 640 * time.Second, 15 * time.Minute, 15 * time.Minute}},
		{"set-up", &Held{Why: "wrong password"}, []time.Duration{15 * time.Minute, 15 * time.Minute}},
		{"later without a time", &Later{Why: "busy"}, []time.Duration{10 * time.Second, 20 * time.Second}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				f := &fakeTarget{name: "dispatch", answer: func(int, *Message) error { return tt.err }}
				m := mustOpen(t, t.TempDir(), Options{}, f)
				stop := running(m)
				send(t, m, "a")
				time.Sleep(3 * time.Hour)
				send(t, m, "b") // does not hurry the first
				stop()
				if len(f.times) <= len(tt.want) {
					t.Fatalf("%d attempts", len(f.times))
				}
				for i, want := range tt.want {
					if got := f.times[i+1].Sub(f.times[i]); got > want || got < want*4/5 {
						t.Errorf("wait %d: %v, want %v and up to a fifth less", i, got, want)
					}
				}
			})
		})
	}
	for after, want := range map[time.Duration]time.Duration{30 * time.Minute: 30 * time.Minute, 48 * time.Hour: time.Hour} {
		if got := waitAfter(&Later{After: after}, 1); got != want {
			t.Errorf("asked for %v: %v, want %v", after, got, want)
		}
	}
	if got := waitAfter(errors.New("no"), 1<<30); got > mostWait || got < mostWait*4/5 {
		t.Errorf("after very many failures: %v", got)
	}
}

// TestRefused: a message that the target refuses for good is counted and makes
// way; a set-up fault keeps it.
func TestRefused(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var mended atomic.Bool
		f := &fakeTarget{name: "dispatch", answer: func(_ int, m *Message) error {
			switch {
			case m.ID == "poison":
				return fmt.Errorf("wrapped: %w", &Refused{"400 Bad Request"})
			case m.ID == "two of three":
				return nil
			case !mended.Load():
				return &Held{Why: "404 Not Found"}
			}
			return nil
		}}
		m := mustOpen(t, t.TempDir(), Options{}, f)
		stop := running(m)
		send(t, m, "poison")
		synctest.Wait()
		if s := m.State()[0]; s.GivenUp != 1 || s.Waiting != 0 || s.Why != "refused: 400 Bad Request" || s.FailingSinceMS != 0 || s.LastSentMS != 0 {
			t.Errorf("after a refusal %+v", s)
		}
		send(t, m, "a")
		time.Sleep(24 * time.Hour)
		if s := m.State()[0]; s.Waiting != 1 || !s.Held || s.GivenUp != 1 {
			t.Errorf("with a set-up fault %+v", s)
		}
		mended.Store(true)
		if answer, err := m.Test(t.Context(), "dispatch"); err != nil || answer != "taken" {
			t.Errorf("test message: %q, %v", answer, err)
		}
		synctest.Wait() // no time goes by: a test message that got through frees what waits
		if got := f.ids(); len(got) != 2 || got[1] != "a" || f.took[0].Kind != KindTest {
			t.Errorf("got %v", got)
		}
		if s := m.State()[0]; s.Waiting != 0 || s.Held || s.Why != "" {
			t.Errorf("mended %+v", s)
		}
		stop()
	})
}

// TestPartly: what some of several have taken is not sent again, and who has not
// is told.
func TestPartly(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := &fakeTarget{name: "mail", answer: func(int, *Message) error {
			return &Partly{Why: "x@air.example: no such user", Took: []string{"shop@air.example"}}
		}}
		m := mustOpen(t, t.TempDir(), Options{}, f)
		stop := running(m)
		send(t, m, "a")
		time.Sleep(time.Hour)
		if s := m.State()[0]; f.count() != 1 || s.Waiting != 0 || s.LastSentMS == 0 || s.Why != "not everybody got it: x@air.example: no such user" {
			t.Errorf("%d attempts, %+v", f.count(), s)
		}
		stop()
	})
}

// TestPartlyAgain: who was refused for now gets the message later, also after a
// restart; who has it does not get it again, others' messages pass, and what is never
// taken is given up.
func TestPartlyAgain(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		var room atomic.Bool
		var had [][]string // of the attempts at "a"
		f := &fakeTarget{name: "mail", answer: func(_ int, m *Message) error {
			if m.ID != "a" {
				return nil
			}
			switch had = append(had, slices.Clone(m.had)); {
			case room.Load():
				return nil
			case len(m.had) > 0:
				return &Partly{Why: "x@air.example: full", Again: true}
			}
			return &Partly{Why: "x@air.example: full", Took: []string{"y@air.example", "z@air.example"}, Again: true}
		}}
		m := mustOpen(t, dir, Options{}, f)
		send(t, m, "a")
		stop := running(m) // what is on the disk by now does not know who took it
		synctest.Wait()
		send(t, m, "b")
		synctest.Wait()
		if got := f.ids(); !slices.Equal(got, []string{"b"}) {
			t.Errorf("while one address is full the others have %v", got)
		}
		if s := m.State()[0]; s.Waiting != 1 || s.InMemory != 0 || s.FailingSinceMS != 0 || s.LastSentMS == 0 || s.Why != "not everybody got it: x@air.example: full" {
			t.Errorf("%+v", s)
		}
		time.Sleep(30 * time.Minute)
		stop()
		if len(had) < 5 || len(had) > 12 {
			t.Errorf("%d attempts in half an hour", len(had))
		}
		m = mustOpen(t, dir, Options{}, f)
		stop = running(m)
		time.Sleep(MostAge - time.Hour)
		room.Store(true)
		if _, err := m.Test(t.Context(), "mail"); err != nil {
			t.Error(err)
		}
		synctest.Wait() // no time goes by: a test message that got through hurries it
		stop()
		if got := f.ids(); len(got) != 3 || got[2] != "a" {
			t.Errorf("with room again they have %v", got)
		}
		for i, h := range had[1:] {
			if !slices.Equal(h, []string{"y@air.example", "z@air.example"}) {
				t.Fatalf("attempt %d as if %v had it", i+2, h)
			}
		}
		if s := m.State()[0]; s.Waiting != 0 || s.Why != "" || s.GivenUp != 0 {
			t.Errorf("with room again %+v", s)
		}
		room.Store(false)
		stop = running(m)
		send(t, m, "a")
		time.Sleep(MostAge + mostWait)
		if s := m.State()[0]; s.Waiting != 0 || s.GivenUp != 1 {
			t.Errorf("after seven days without room %+v", s)
		}
		stop()
	})
}

// TestChokes: a message that its target chokes on holds the others up for three tries,
// not for seven days; a target that is away gets all in their order.
func TestChokes(t *testing.T) {
	for _, alone := range []bool{true, false} {
		synctest.Test(t, func(t *testing.T) {
			began := time.Now()
			f := &fakeTarget{name: "dispatch", answer: func(_ int, m *Message) error {
				if m.ID == "poison" && time.Since(began) < time.Hour {
					return &Later{Why: "500 Internal Server Error", OfMessage: alone}
				}
				return nil
			}}
			m := mustOpen(t, t.TempDir(), Options{}, f)
			stop := running(m)
			send(t, m, "poison")
			time.Sleep(time.Second)
			send(t, m, "b")
			synctest.Wait()
			if got := f.ids(); len(got) != 0 {
				t.Errorf("after one try: %v", got)
			}
			time.Sleep(75 * time.Second) // 10 s + 20 s + 40 s
			want := []string(nil)
			if alone {
				want = []string{"b"}
			}
			if got := f.ids(); !slices.Equal(got, want) {
				t.Errorf("alone %v: after 76 s %v, want %v", alone, got, want)
			}
			if s := m.State()[0]; s.Waiting != 2-len(want) || s.FailingSinceMS == 0 != alone || s.Why != "500 Internal Server Error" {
				t.Errorf("alone %v: %+v", alone, s)
			}
			time.Sleep(50 * time.Minute)
			if n := f.count(); n > 20 {
				t.Errorf("alone %v: %d attempts in less than an hour", alone, n)
			}
			send(t, m, "c")
			synctest.Wait()
			if got := f.ids(); alone && len(got) != 2 {
				t.Errorf("a later one waits too: %v", got)
			}
			time.Sleep(30 * time.Minute)
			want = []string{"poison", "b", "c"}
			if alone {
				want = []string{"b", "c", "poison"}
			}
			if got := f.ids(); !slices.Equal(got, want) {
				t.Errorf("alone %v: in the end %v, want %v", alone, got, want)
			}
			stop()
		})
	}
}

// TestTally: when the last message went and what was given up outlast restarts, also
// of a recording that is killed; a damaged tally begins anew.
func TestTally(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		f := &fakeTarget{name: "dispatch", answer: func(_ int, m *Message) error {
			switch m.ID {
			case "poison":
				return &Refused{"400 Bad Request"}
			case "wait":
				return errors.New("no route")
			}
			return nil
		}}
		m := mustOpen(t, dir, Options{}, f)
		stop := running(m)
		send(t, m, "a")
		send(t, m, "poison")
		synctest.Wait()
		sent := time.Now().UnixMilli()
		time.Sleep(time.Minute)
		failing := time.Now().UnixMilli()
		send(t, m, "wait")
		time.Sleep(time.Minute) // it is not stopped: what it knows is on the disk by now
		killed := mustOpen(t, dir, Options{}, f)
		if s := killed.State()[0]; s.LastSentMS != sent || s.GivenUp != 1 || s.FailingSinceMS != failing || s.Waiting != 1 {
			t.Errorf("after a kill %+v, want %d, 1, %d, 1", s, sent, failing)
		}
		stop()
		if err := os.WriteFile(lettersIn(t, dir)[0], []byte("damage"), 0o600); err != nil {
			t.Fatal(err)
		}
		m = mustOpen(t, dir, Options{}, f)
		stop = running(m)
		synctest.Wait()
		stop()
		m = mustOpen(t, dir, Options{}, f)
		if s := m.State()[0]; s.LastSentMS != sent || s.GivenUp != 2 || s.Waiting != 0 {
			t.Errorf("after damage %+v", s)
		}
		for _, wrong := range []string{"", "{", `{"given_up":-1}`, "[1]"} {
			if err := os.WriteFile(filepath.Join(dir, "to-dispatch", tallyFile), []byte(wrong), 0o600); err != nil {
				t.Fatal(err)
			}
			if s := mustOpen(t, dir, Options{}, f).State()[0]; s.LastSentMS != 0 || s.GivenUp != 0 {
				t.Errorf("tally %q: %+v", wrong, s)
			}
		}
	})
}
