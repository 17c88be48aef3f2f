package agent

import (
	"context"
	"errors"
	"log/slog"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"loadscribe/agent/modbus/frame"
	"loadscribe/agent/poll"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
)

// bubbleClock is the clock of a test's bubble: a day passes at once.
type bubbleClock struct{ start time.Time }

func (c bubbleClock) Now() (monoMS, wallMS int64) {
	now := time.Now()
	return now.Sub(c.start).Milliseconds() + 1, now.UnixMilli()
}

// plainLine answers at once, and hangs when it is told to, heeding no context.
type plainLine struct {
	mu   sync.Mutex
	hang chan struct{} // not nil: calls wait until it is closed
}

func (l *plainLine) Read(_ context.Context, _ byte, req frame.ReadRequest, _ time.Duration) ([]byte, error) {
	l.mu.Lock()
	hang := l.hang
	l.mu.Unlock()
	if hang != nil {
		<-hang
	}
	return make([]byte, req.ByteCount()), nil
}

func (l *plainLine) Err() error   { return nil }
func (l *plainLine) Close() error { return nil }

// upkeepRig is an agent in a bubble.
type upkeepRig struct {
	a    *Agent
	line plainLine
	disk *badDisk
	log  lockedLog
	stop context.CancelFunc
	done chan error
}

// upkeepTest runs an agent with one line. It is over when test returns, and whatever hangs
// must be free by then.
func upkeepTest(t *testing.T, serve func(context.Context) error, test func(t *testing.T, r *upkeepRig)) {
	site := loadTestSite(t, t.TempDir(), manyDevices(1), oneChannel)
	synctest.Test(t, func(t *testing.T) {
		r := &upkeepRig{disk: &badDisk{FS: store.SystemFS()}, done: make(chan error, 1)}
		var err error
		r.a, err = Open(site, Options{Clock: bubbleClock{time.Now()}, Log: slog.New(slog.NewTextHandler(&r.log, nil)),
			Dial:  func(context.Context, *sitefile.Line) (poll.Client, error) { return &r.line, nil },
			Store: store.Options{FS: r.disk}})
		if err != nil {
			t.Fatal(err)
		}
		var ctx context.Context
		ctx, r.stop = context.WithCancel(t.Context())
		defer r.stop()
		go func() { r.done <- r.a.Run(ctx, "127.0.0.1:0", serve) }()
		test(t, r)
	})
}

// events are the stored events of a kind, by their text.
func (r *upkeepRig) events(t *testing.T, kind string) (texts []string) {
	t.Helper()
	found, err := r.a.store.EventsWhere(0, 0, 0, func(e *store.Event) bool { return e.Kind == kind })
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range found {
		texts = append(texts, e.Text)
	}
	return texts
}

// TestHangingDiskIsNoHangingLoop: the writer hangs in the seal of an hour, for two hours,
// since the disk takes nothing. No new process is asked for, which would lose the readings
// that wait; once the disk is well, the same wait is a hang.
func TestHangingDiskIsNoHangingLoop(t *testing.T) {
	site := loadTestSite(t, t.TempDir(), manyDevices(1), oneChannel)
	disk := &badDisk{FS: store.SystemFS()}
	clock := &manualClock{mono: 1000, wall: testStartMS}
	a, err := Open(site, Options{Dial: noLine, Clock: clock, Store: store.Options{FS: disk, SyncEvery: 2 * time.Millisecond}})
	if err != nil {
		t.Fatal(err)
	}
	stall := make(chan struct{})
	failed := make(chan error, 2)
	stopShowing, stopWriting := start(t.Context(), failed, a.show), start(t.Context(), failed, a.write)
	offer := func(ms int64) {
		clock.advance(ms)
		mono, wall := clock.Now()
		a.queue.Offer(scan.Scan{Group: a.groups[0], MonoMS: mono, WallMS: wall, Values: []int64{1}})
	}
	offer(250)
	eventually(t, "a reading to be kept", func() bool { return a.store.LastSeq() > 0 })
	disk.setStall(stall)
	offer(250)
	eventually(t, "the disk to hang", disk.hanging)
	offer(time.Hour.Milliseconds()) // the hour turns
	eventually(t, "the writer to hang", func() bool { return a.turning.write.Doing() != "" && a.diskStalls() })
	for range 120 {
		clock.advance(time.Minute.Milliseconds())
		if what, doing, _ := a.hanging(time.Minute); what != "" {
			t.Fatalf("%s is said to hang: %s", what, doing)
		}
	}
	disk.setStall(nil)
	close(stall)
	eventually(t, "the writer to go on", func() bool { return a.turning.write.Doing() == "" })
	a.turning.write.Busy("keeping readings", loopLimit)
	if what, doing, _ := a.hanging(2 * loopLimit); what != "the loop that keeps readings" || doing != "keeping readings" {
		t.Errorf("without the disk's fault: %q, %q", what, doing)
	}
	stopShowing()
	stopWriting()
	if err := a.Close(); err != nil {
		t.Fatal(err)
	}
}

// TestHangingWriterEndsTheProcess: the writer hangs though the disk is well. Turning says
// so, an event is kept, and Run ends within its budget, leaving it behind by name.
func TestHangingWriterEndsTheProcess(t *testing.T) {
	upkeepTest(t, nil, func(t *testing.T, r *upkeepRig) {
		time.Sleep(time.Minute)
		hang := make(chan struct{})
		r.a.OnUpdate(func(kind string, _ any) {
			if kind == "figures_changed" {
				<-hang
			}
		})
		time.Sleep(loopLimit)
		if ok, why := r.a.Turning(); !ok {
			t.Fatalf("too early: %s", why)
		}
		began := time.Now()
		err := <-r.done
		if waited := time.Since(began); waited < 10*time.Second || waited > 30*time.Second {
			t.Errorf("noticed after %v more", waited)
		}
		if !errors.Is(err, ErrHung) || !errors.Is(err, ErrLeftBehind) || !strings.Contains(err.Error(), "keeping readings") {
			t.Errorf("Run ended with %v", err)
		}
		if ok, why := r.a.Turning(); ok || !strings.Contains(why, "keeps readings") {
			t.Errorf("Turning says %v, %q", ok, why)
		}
		close(hang)
		synctest.Wait()
		if !strings.Contains(r.log.String(), "level=ERROR msg=stopping") {
			t.Errorf("the log says\n%s", r.log.String())
		}
	})
}

// TestHangingLineIsTold: a line that hangs is begun anew, with an event that says in what
// it hung; the recording goes on and Turning says yes.
func TestHangingLineIsTold(t *testing.T) {
	upkeepTest(t, nil, func(t *testing.T, r *upkeepRig) {
		time.Sleep(time.Minute)
		hang := make(chan struct{})
		r.line.mu.Lock()
		r.line.hang = hang
		r.line.mu.Unlock()
		time.Sleep(time.Second)
		r.line.mu.Lock()
		r.line.hang = nil
		r.line.mu.Unlock()
		time.Sleep(3 * time.Minute)
		if got := r.events(t, kindLineWedged); len(got) != 1 || !strings.Contains(got[0], "line net hung while reading from d0, for 1m") {
			t.Errorf("events: %q", got)
		}
		if ok, why := r.a.Turning(); !ok {
			t.Error(why)
		}
		if s := r.a.State(); !s.Devices[0].Up || !s.Lines[0].Up {
			t.Errorf("after it was begun anew: %+v %+v", s.Devices[0], s.Lines[0])
		}
		close(hang)
		r.stop()
		if err := <-r.done; err != nil {
			t.Error(err)
		}
	})
}

// TestStopHasOneBudget: everything hangs at the stop: the line, the disk, who shows the
// readings, who serves them. Run returns within its budget and names them all.
func TestStopHasOneBudget(t *testing.T) {
	made := make(chan chan struct{}, 1)
	serve := func(context.Context) error {
		<-<-made
		return nil
	}
	upkeepTest(t, serve, func(t *testing.T, r *upkeepRig) {
		hangs := make(chan struct{})
		made <- hangs
		time.Sleep(time.Minute)
		r.line.mu.Lock()
		r.line.hang = hangs
		r.line.mu.Unlock()
		r.disk.setStall(hangs)
		r.a.OnUpdate(func(string, any) { <-hangs })
		time.Sleep(3 * time.Second)
		began := time.Now()
		r.stop()
		err := <-r.done
		if took := time.Since(began); took > StopBudget {
			t.Errorf("stopping took %v, the budget is %v", took, StopBudget)
		}
		if err == nil {
			t.Fatal("nothing is said of what was left behind")
		}
		for _, want := range []string{"saving the last readings", "answering requests", "closing the store"} {
			if !strings.Contains(err.Error(), want+" did not end") {
				t.Errorf("%q is not named in %v", want, err)
			}
		}
		if !strings.Contains(r.log.String(), "a line hangs at the stop") {
			t.Errorf("the log does not name the line:\n%s", r.log.String())
		}
		r.disk.setStall(nil)
		close(hangs)
	})
}
