package store

import (
	"log/slog"
	"time"
)

// repeatEvery is how often a failure that goes on is told.
const repeatEvery = time.Minute

// Trouble logs a failure that repeats: the first one, then once a minute how
// many there were, then that it is over. The zero value has none. It is for
// one goroutine at a time.
type Trouble struct {
	count   int
	begunMS int64
	toldMS  int64
}

// Failed tells of a failure at a monotonic time. what is the message, args
// what slog takes.
func (t *Trouble) Failed(log *slog.Logger, monoMS int64, what string, args ...any) {
	t.count++
	if t.count == 1 {
		t.begunMS, t.toldMS = monoMS, monoMS
		log.Error(what, args...)
	} else if monoMS-t.toldMS >= repeatEvery.Milliseconds() {
		t.toldMS = monoMS
		log.Error(what, append(args, "failures", t.count, "since", t.lasted(monoMS))...)
	}
}

// Over tells, where there was a failure, that there is none any more.
func (t *Trouble) Over(log *slog.Logger, monoMS int64, what string, args ...any) {
	if t.count > 0 {
		log.Info(what, append(args, "failures", t.count, "after", t.lasted(monoMS))...)
	}
	*t = Trouble{}
}

// Failures is how many there were.
func (t *Trouble) Failures() int { return t.count }

func (t *Trouble) lasted(monoMS int64) time.Duration {
	return (time.Duration(monoMS-t.begunMS) * time.Millisecond).Round(time.Second)
}
