package agent

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"loadscribe/agent/poll"
	"loadscribe/agent/pulse"
	"loadscribe/agent/store"
)

const (
	kindLineWedged = "line_wedged"
	kindLoopWedged = "loop_wedged"
	// loopLimit is what a step of the loops behind the queue may take while the disk
	// answers. Sealing an hour takes tens of milliseconds; a new fold of years, during
	// which the writer waits, minutes. Meanwhile readings wait in memory.
	loopLimit = 5 * time.Minute
	// askLimit is how long the store may take to say whether its disk answers; it looks
	// only into its own memory for that.
	askLimit = 5 * time.Second
	// lookedLately is how old the last look at the loops may be.
	lookedLately = 30 * time.Second
)

// ErrHung ends Run: a loop of the recording hangs, and not because of the disk. Only a new
// process helps.
var ErrHung = errors.New("a loop of the recording hangs")

// turning is what is known of whether the loops of a recording turn.
type turning struct {
	show, write, events pulse.Pulse

	mu     sync.Mutex // protects the rest
	looked time.Time  // zero: not yet
	why    string     // what hangs; empty: nothing
}

// Turning reports whether every loop of the recording has turned lately, and if not, which
// hangs. Waiting for a disk that does not answer is no hanging: readings wait in memory,
// and a new process would lose them. It may be called at any time from any goroutine, and
// says yes before Run and in a stop.
func (a *Agent) Turning() (ok bool, why string) {
	t := &a.turning
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.why == "" && !t.looked.IsZero() && time.Since(t.looked) > lookedLately {
		return false, "the watch over the loops of the recording hangs"
	}
	return t.why == "", t.why
}

func (t *turning) set(why string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.looked, t.why = time.Now(), why
}

// ended: nobody looks any more, and nothing is expected to turn.
func (t *turning) ended() {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.looked = time.Time{}
}

// watchTurning looks until ctx ends. It returns ErrHung where a loop hangs that cannot be
// begun anew.
func (a *Agent) watchTurning(ctx context.Context) error {
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	var hung error
	pulse.Watch(ctx, func(passed time.Duration) {
		what, doing, since := a.hanging(passed)
		if what == "" {
			a.turning.set(a.poller.Stuck())
			return
		}
		hung = fmt.Errorf("%w: %s has been %s for %v", ErrHung, what, doing, since.Round(time.Second))
		a.turning.set(hung.Error())
		stop()
	})
	if hung == nil {
		a.turning.ended()
		return nil
	}
	endsWithin(askLimit, func() { // the store may be what it hangs in
		a.kept(a.note(kindLoopWedged, "", hung.Error()+"; the recording ends so that it can be begun anew", nil), "event not kept")
	})
	return hung
}

// hanging looks at each loop that cannot be begun anew by itself.
func (a *Agent) hanging(passed time.Duration) (what, doing string, since time.Duration) {
	for _, l := range []struct {
		name  string
		pulse *pulse.Pulse
	}{{"polling", a.poller.Pulse()}, {"the loop that shows readings", &a.turning.show},
		{"the loop that keeps readings", &a.turning.write}, {"the loop that keeps events", &a.turning.events}} {
		doing, since := l.pulse.Look(passed)
		if doing == "" {
			continue
		}
		if l.pulse != a.poller.Pulse() && a.diskStalls() {
			l.pulse.Excuse()
			continue
		}
		return l.name, doing, since
	}
	return "", "", 0
}

// diskStalls reports whether the store waits for its disk.
func (a *Agent) diskStalls() bool {
	var stalled int64
	return endsWithin(askLimit, func() { stalled = a.store.StalledMS() }) && stalled > 0
}

// endsWithin runs f in a goroutine and reports whether it ended within limit; else it is left
// behind, and what it writes is not to be looked at.
func endsWithin(limit time.Duration, f func()) bool {
	done := make(chan struct{})
	go func() {
		defer close(done)
		f()
	}()
	timer := time.NewTimer(limit)
	defer timer.Stop()
	select {
	case <-done:
		return true
	case <-timer.C:
		return false
	}
}

// lineWedged implements poll.Options.OnWedged.
func (a *Agent) lineWedged(w poll.Wedge) {
	a.queueEvent(store.Event{Kind: kindLineWedged, Subject: w.Line,
		Text: fmt.Sprintf("line %s hung while %s, for %v, and was begun anew", w.Line, w.Doing, w.For.Round(time.Second)),
		Data: map[string]string{"doing": w.Doing, "for_ms": fmt.Sprint(w.For.Milliseconds()), "times": fmt.Sprint(w.Times), "left": fmt.Sprint(w.Left)}})
}
