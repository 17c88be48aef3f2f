package messenger

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"strings"
	"sync"
	"time"

	"loadscribe/agent/outward"
)

// lane sends what waits for one target, one message after the other.
type lane struct {
	target  Target
	queue   *queue
	log     *slog.Logger  // names the target
	wake    chan struct{} // of one place: something may be sent
	untidy  chan struct{} // of one place: the disk has something to do
	testing chan struct{} // of one place: held by the test message under way

	mu       sync.Mutex // of what follows
	failures int        // in a row
	nextTry  time.Time  // zero: at once
	state    TargetState
}

// TargetState is how it stands with one target. Counts and times outlast a restart.
type TargetState struct {
	Name string
	Kind string
	To   string
	// Waiting is how many messages wait, InMemory how many of them the disk has
	// not taken.
	Waiting, InMemory int
	LastSentMS        int64 // wall clock; 0: none ever
	FailingSinceMS    int64 // wall clock; 0: the last attempt went well
	// Why is what went wrong last, who of several did not take the last message, or
	// why one waits that others pass. Empty: nothing.
	Why string
	// Held is whether a person must mend the set-up.
	Held bool
	// GivenUp counts messages that were not delivered and will not be: refused,
	// too old, too many, or damaged on the disk.
	GivenUp int
	// Sent counts attempts in which somebody took the message, test messages among them.
	Sent int
}

// tidyEvery is how often what the disk did not do is tried again.
const tidyEvery = time.Minute

// run sends until ctx ends. It never asks the disk.
func (l *lane) run(ctx context.Context) {
	for ctx.Err() == nil {
		now := time.Now()
		w, pause := l.queue.head(now)
		if w != nil {
			switch due := l.due(now); {
			case w.remains(now) <= 0:
				l.giveUp(w, strings.TrimRight("it was tried for "+MostAge.String()+"; "+w.why, "; "))
				continue
			case due <= 0:
				l.attempt(ctx, w, now)
				continue
			default:
				pause = min(due, w.remains(now))
				l.queue.putBack()
			}
		}
		outward.Wait(ctx, l.wake, pause)
	}
}

// keep does to the disk what is to be done, until ctx ends, and once from its beginning
// after that: what left meanwhile would be sent again after a start.
func (l *lane) keep(ctx context.Context) {
	failing := false
	for {
		last := ctx.Err() != nil
		pause := time.Hour
		err := errors.Join(l.queue.tidy(), l.queue.keepTally(l.tally()))
		if err != nil {
			pause = tidyEvery
		}
		if failed := err != nil; failed != failing {
			if failing = failed; failed {
				l.log.Warn("the disk does not take messages: they wait in memory and go out all the same", "error", err)
			} else {
				l.log.Info("the disk takes messages again")
			}
		}
		if last {
			return
		}
		outward.Wait(ctx, l.untidy, pause)
	}
}

// tidySoon wakes keep.
func tidySoon(untidy chan<- struct{}) {
	select {
	case untidy <- struct{}{}:
	default: // awake already
	}
}

func (l *lane) due(now time.Time) time.Duration {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.nextTry.Sub(now)
}

// attempt tries to deliver one message and does what follows from it.
func (l *lane) attempt(ctx context.Context, w *waiting, now time.Time) {
	limited, cancel := context.WithTimeout(ctx, attemptTime)
	defer cancel()
	m := w.Message
	m.had = w.Had
	_, err := l.target.Deliver(limited, &m, w.late(now))
	var refused *Refused
	var partly *Partly
	switch {
	case err == nil:
		l.leave(w)
		l.wentWell("", true)
	case errors.As(err, &partly):
		l.partly(w, partly)
	case errors.As(err, &refused):
		l.giveUp(w, refused.Error())
		l.wentWell(refused.Error(), false)
	case ctx.Err() != nil: // our own stop
		l.queue.putBack()
	default:
		l.failed(w, err)
	}
}

// partly notes who has a message; for the others it is tried again, or not.
func (l *lane) partly(w *waiting, partly *Partly) {
	if partly.Again {
		w.tries++
		wait := waitAfter(partly, w.tries)
		l.queue.passOver(w, partly.Took, partly.Error(), time.Now().Add(wait))
		tidySoon(l.untidy)
	} else {
		l.leave(w)
	}
	l.wentWell(partly.Error(), len(partly.Took) > 0)
	l.log.Warn("a message did not reach everybody", "error", partly, "subject", w.Message.Subject, "tried_again", partly.Again)
}

// queued queues a message in memory.
func (l *lane) queued(m Message) *waiting {
	w, gone := l.queue.add(m, time.Now())
	if gone != nil {
		l.lost(gone, fmt.Sprintf("more than %d messages wait", MostWaiting))
		tidySoon(l.untidy)
	}
	l.poke(false)
	return w
}

// leave takes a message that needs no more attempt out of the queue.
func (l *lane) leave(w *waiting) {
	l.queue.done(w)
	tidySoon(l.untidy)
}

// wentWell notes that the target answers, with what is still to be said of it.
func (l *lane) wentWell(why string, sent bool) {
	l.mu.Lock()
	failed := l.failures
	l.failures, l.nextTry = 0, time.Time{}
	l.state.FailingSinceMS, l.state.Why, l.state.Held = 0, why, false
	if sent {
		l.state.LastSentMS = time.Now().UnixMilli()
		l.state.Sent++
	}
	l.mu.Unlock()
	tidySoon(l.untidy) // for the tally
	if failed > 0 {
		l.log.Info("messages go out again", "failures", failed)
	}
}

// failed notes that a message did not go. One that has failed so often that it may be
// the message itself is passed over; else the whole target waits.
func (l *lane) failed(w *waiting, err error) {
	now := time.Now()
	var held *Held
	isHeld := errors.As(err, &held)
	var later *Later
	if errors.As(err, &later) && later.OfMessage {
		w.tries++
	}
	passed := later != nil && later.OfMessage && w.tries > orderlyTries
	defer tidySoon(l.untidy) // for the tally
	l.mu.Lock()
	wait := waitAfter(err, max(w.tries, 1))
	if passed {
		l.nextTry = time.Time{}
		l.queue.passOver(w, nil, err.Error(), now.Add(wait))
	} else {
		l.failures++
		wait = waitAfter(err, l.failures)
		l.nextTry = now.Add(wait)
		if l.state.FailingSinceMS == 0 { // else since an earlier run
			l.state.FailingSinceMS = now.UnixMilli()
		}
	}
	told := l.state.Why == err.Error()
	l.state.Why, l.state.Held = err.Error(), isHeld
	l.mu.Unlock()
	if !told {
		l.log.Warn("messages do not go out", "error", err, "held", isHeld, "next_try_s", int(wait.Seconds()))
	}
}

func (l *lane) giveUp(w *waiting, why string) {
	l.leave(w)
	l.lost(w, why)
}

// lost counts and tells of a message that will never arrive.
func (l *lane) lost(w *waiting, why string) {
	l.mu.Lock()
	l.state.GivenUp++
	l.mu.Unlock()
	l.log.Error("a message is given up", "why", why, "subject", w.Message.Subject, "at", time.UnixMilli(w.Message.AtMS).UTC().Format(time.RFC3339))
}

// poke wakes run; at once is whether it need not wait for its next try.
func (l *lane) poke(atOnce bool) {
	if atOnce {
		l.queue.passNone()
		l.mu.Lock()
		l.nextTry = time.Time{}
		l.mu.Unlock()
	}
	select {
	case l.wake <- struct{}{}:
	default: // awake already
	}
}

func (l *lane) now() TargetState {
	waiting, inMemory := l.queue.counts()
	passed := l.queue.whyPassed()
	l.mu.Lock()
	defer l.mu.Unlock()
	s := l.state
	s.Why = cmp.Or(s.Why, passed)
	s.Name, s.Kind, s.To, s.Waiting, s.InMemory = l.target.Name(), l.target.Kind(), l.target.To(), waiting, inMemory
	return s
}

// tally is what is to outlast a restart.
func (l *lane) tally() tally {
	l.mu.Lock()
	defer l.mu.Unlock()
	return tally{l.state.LastSentMS, l.state.FailingSinceMS, l.state.GivenUp, l.state.Sent}
}
