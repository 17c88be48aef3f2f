package poll

import (
	"context"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"loadscribe/agent/sitefile"
)

// leaps is a time of its own, far from the system's: what is waited for is there at once.
// After so many waits it stands still.
type leaps struct {
	mu      sync.Mutex
	present time.Time
	waits   int
	most    int
	over    chan struct{}
}

func newLeaps(most int) *leaps {
	return &leaps{present: time.Date(2031, 5, 1, 8, 0, 0, 0, time.UTC), most: most, over: make(chan struct{})}
}

func (l *leaps) Now() time.Time {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.present
}

func (l *leaps) Wait(ctx context.Context, t time.Time) bool {
	l.mu.Lock()
	last := l.waits == l.most
	if !last {
		l.present = t
		l.waits++
	}
	l.mu.Unlock()
	if last {
		close(l.over)
		<-ctx.Done()
		return false
	}
	return true
}

// end waits for the last wait; a line that goes by the system's time does not come to it.
func (l *leaps) end(t *testing.T) {
	t.Helper()
	select {
	case <-l.over:
	case <-time.After(time.Hour): // of the bubble's
		t.Error("an hour of the system's time passed")
	}
}

// A line goes by the Time that it is given, and by no other: of an hour of it not a
// moment of the system's passes.
func TestLinesGoByTheTimeGiven(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBus(1)
		b.units[1].delay = 0
		l := newLeaps(3601) // the port is opened at the first
		begin, system := l.Now(), time.Now()
		p := start(t, siteOf(1, time.Second), Options{Dial: b.dial, Time: l})
		l.end(t)
		missed := p.Status().Lines[0].Missed
		p.stop()
		if passed := time.Since(system); passed != 0 || missed != 0 {
			t.Errorf("%v of the system's time passed, %d due times were missed", passed, missed)
		}
		if n := len(p.tape.of("u1", "")); n != 3600 {
			t.Errorf("%d scans, want 3600", n)
		}
		if last := l.Now(); !last.Equal(begin.Add(3599 * time.Second)) {
			t.Errorf("the last wait is until %v, want an hour from %v less a second", last, begin)
		}
	})
}

// A port that cannot be opened is tried again after pauses of the same Time: a quarter
// of a second, then twice as long each time.
func TestPausesGoByTheTimeGiven(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBus(1)
		b.gone = true
		l := newLeaps(40)
		begin := l.Now()
		var tried []time.Duration
		dial := func(ctx context.Context, line *sitefile.Line) (Client, error) {
			tried = append(tried, l.Now().Sub(begin))
			return b.dial(ctx, line)
		}
		p := start(t, siteOf(1, time.Minute), Options{Time: l, Random: func() float64 { return 0 }, Dial: dial})
		l.end(t)
		p.stop()
		want := []time.Duration{0, 250 * time.Millisecond, 750 * time.Millisecond, 1750 * time.Millisecond, 3750 * time.Millisecond, 7750 * time.Millisecond}
		if len(tried) < len(want) || !slices.Equal(tried[:len(want)], want) {
			t.Errorf("tried at %v, want %v", tried[:min(len(want), len(tried))], want)
		}
	})
}
