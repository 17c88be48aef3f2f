package poll

import (
	"log/slog"
	"time"
)

// summaryEvery is the time between two log lines about one lasting trouble.
const summaryEvery = time.Minute

// trouble logs a failure that repeats: the first at once, then one summary a
// minute with a count, then the recovery.
type trouble struct {
	log    *slog.Logger // with the subject as attributes
	since  time.Time    // zero: none
	logged time.Time
	count  int // failures since the last line
	total  int // failures since the first
}

func (t *trouble) failed(now time.Time, what, detail string) {
	t.count++
	t.total++
	switch {
	case t.since.IsZero():
		t.since = now
		t.log.Warn(what, "detail", detail)
	case now.Sub(t.logged) >= summaryEvery:
		t.log.Warn(what+", still", "detail", detail, "failures", t.count, "for", now.Sub(t.since).Round(time.Second))
	default:
		return
	}
	t.logged, t.count = now, 0
}

func (t *trouble) recovered(now time.Time, what string) {
	if !t.since.IsZero() {
		t.log.Info(what, "after", now.Sub(t.since).Round(time.Millisecond), "failures", t.total)
	}
	t.since, t.count, t.total = time.Time{}, 0, 0
}
