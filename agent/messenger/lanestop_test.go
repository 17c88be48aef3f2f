package messenger

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"testing"
	"testing/synctest"
	"time"
)

// TestGivenUp: after seven days, and as the oldest of more than a thousand; the
// one that is under way is not the one that must leave.
func TestGivenUp(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := &fakeTarget{name: "dispatch", answer: func(int, *Message) error { return errors.New("no route") }}
		m := mustOpen(t, t.TempDir(), Options{}, f)
		stop := running(m)
		send(t, m, "a")
		time.Sleep(MostAge - time.Minute)
		send(t, m, "b")
		if s := m.State()[0]; s.Waiting != 2 || s.GivenUp != 0 {
			t.Errorf("before its time %+v", s)
		}
		time.Sleep(2 * time.Minute)
		if s := m.State()[0]; s.Waiting != 1 || s.GivenUp != 1 {
			t.Errorf("after seven days %+v", s)
		}
		stop()
	})
}

func TestTooMany(t *testing.T) {
	dir := t.TempDir()
	m := mustOpen(t, dir, Options{files: &memoryFiles{}}, &fakeTarget{name: "dispatch"})
	q := m.lanes[0].queue
	for i := range MostWaiting {
		q.add(message(fmt.Sprint(i)), time.Now())
	}
	under, _ := q.head(time.Now())
	for i := range 5 {
		send(t, m, fmt.Sprint("more-", i))
	}
	s := m.State()[0]
	if s.Waiting != MostWaiting || s.GivenUp != 5 {
		t.Errorf("%d wait, %d given up", s.Waiting, s.GivenUp)
	}
	if q.all[0] != under || q.all[1].Message.ID != "6" || q.all[MostWaiting-1].Message.ID != "more-4" {
		t.Errorf("the queue begins with %s, %s", q.all[0].Message.ID, q.all[1].Message.ID)
	}
}

// TestStopMidway: a stop while an attempt is under way is no failure, loses
// nothing, and is not waited for longer than the target takes to see it.
func TestStopMidway(t *testing.T) {
	dir := t.TempDir()
	target := &hangingTarget{reached: make(chan struct{})}
	m := mustOpen(t, dir, Options{}, target)
	stop := running(m)
	send(t, m, "a")
	<-target.reached
	stop()
	if s := m.State()[0]; s.Waiting != 1 || s.FailingSinceMS != 0 {
		t.Errorf("%+v", s)
	}
	if again := mustOpen(t, dir, Options{}, target); again.State()[0].Waiting != 1 {
		t.Error("the message is not on the disk")
	}
}

type hangingTarget struct{ reached chan struct{} }

func (h *hangingTarget) Name() string { return "dispatch" }
func (h *hangingTarget) Kind() string { return "webhook" }
func (h *hangingTarget) To() string   { return "" }
func (h *hangingTarget) Deliver(ctx context.Context, _ *Message, _ time.Duration) (string, error) {
	h.reached <- struct{}{}
	<-ctx.Done()
	return "", ctx.Err()
}

// TestTest: an unknown target and a second test message at once are refused.
func TestTest(t *testing.T) {
	target := &hangingTarget{reached: make(chan struct{})}
	m := mustOpen(t, t.TempDir(), Options{}, target)
	if _, err := m.Test(t.Context(), "despatch"); !errors.Is(err, ErrNoTarget) {
		t.Errorf("unknown target: %v", err)
	}
	if err := m.Send([]string{"despatch"}, message("a")); !errors.Is(err, ErrNoTarget) {
		t.Errorf("message to an unknown target: %v", err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	first := make(chan error)
	go func() {
		_, err := m.Test(ctx, "dispatch")
		first <- err
	}()
	<-target.reached
	if _, err := m.Test(t.Context(), "dispatch"); !errors.Is(err, ErrBusy) {
		t.Errorf("a second one at once: %v", err)
	}
	cancel()
	if err := <-first; !errors.Is(err, context.Canceled) {
		t.Errorf("the first: %v", err)
	}
	if _, err := Open(t.TempDir(), []Target{target, target}, Options{}); err == nil {
		t.Error("two targets of one name are taken")
	}
}

// TestTo: each target has what was meant for it.
func TestTo(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		a, b := &fakeTarget{name: "Dispatch"}, &fakeTarget{name: "dispatch"}
		m := mustOpen(t, t.TempDir(), Options{}, a, b)
		stop := running(m)
		for i, to := range [][]string{{"Dispatch"}, {"dispatch"}, nil, {}} {
			if err := m.Send(to, message(fmt.Sprint(i))); err != nil {
				t.Fatal(err)
			}
		}
		synctest.Wait()
		stop()
		if !slices.Equal(a.ids(), []string{"0", "2"}) || !slices.Equal(b.ids(), []string{"1", "2"}) {
			t.Errorf("got %v and %v", a.ids(), b.ids())
		}
	})
}
