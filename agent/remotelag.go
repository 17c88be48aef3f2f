package agent

import (
	"fmt"
	"sync"
	"time"
)

// lagWatch tells a receiver that takes less than is recorded from one that catches up:
// what waits for it is old, and gets no less old. The numbers are common practice, no
// source.
type lagWatch struct {
	mu sync.Mutex // protects what follows
	// leastMS is the least that it was behind since beganAt of the monotonic clock,
	// beforeMS in the time before that (0: not known).
	leastMS, beganAt, beforeMS int64
	watching, isSlow           bool
}

const (
	oldLag  = 15 * time.Minute // more than the widest step and what is under way
	lessLag = time.Minute      // so much less is progress
	lagTime = 10 * time.Minute // from one look at the progress to the next
)

// slow reports whether the receiver takes less than is recorded. While nothing gets
// through to it that is not the question, and begins anew.
func (l *lagWatch) slow(behindMS, monoMS int64, failing bool) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	switch {
	case failing || behindMS < oldLag.Milliseconds():
		l.watching, l.isSlow = false, false
	case !l.watching:
		l.watching, l.leastMS, l.beganAt, l.beforeMS = true, behindMS, monoMS, 0
	case monoMS-l.beganAt < lagTime.Milliseconds():
		l.leastMS = min(l.leastMS, behindMS)
	default:
		l.isSlow = l.beforeMS != 0 && l.leastMS > l.beforeMS-lessLag.Milliseconds()
		l.beforeMS, l.leastMS, l.beganAt = l.leastMS, behindMS, monoMS
	}
	return l.isSlow
}

// unsentMS is how much older than the newest stored scan the oldest is that waits for a
// receiver.
func (a *Agent) unsentMS(r *sampleReceiver) int64 {
	at, oldest := r.source.Place(), r.sender.State().OldestUnsentMS
	stats := a.store.Remembered()
	if at.Seq == 0 || at.Seq >= stats.DurableSeq && oldest == 0 {
		return 0
	}
	from := at.WallMS
	if oldest != 0 {
		from = min(from, oldest)
	}
	if from == 0 {
		return 0
	}
	return max(0, stats.NewestMS-from)
}

// slowness is what there is to say of a receiver that takes less than is recorded;
// empty: it does not.
func (a *Agent) slowness(r *sampleReceiver, failing bool) string {
	mono, _ := a.clock.Now()
	behindMS := a.unsentMS(r)
	if !r.lag.slow(behindMS, mono, failing) {
		return ""
	}
	return fmt.Sprintf("it takes less than is recorded: what waits goes back %v and gets no less", (time.Duration(behindMS) * time.Millisecond).Round(time.Minute))
}
