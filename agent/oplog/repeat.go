package oplog

import (
	"cmp"
	"context"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"time"
)

const (
	// repeatEvery is the least time between two lines of what repeats: a minute, less a
	// second, so that parts which tell of a lasting trouble once a minute by themselves
	// are heard each time.
	repeatEvery = time.Minute - time.Second
	// lookEvery is how often it is looked for what is to be summed up.
	lookEvery = time.Second
	// mostKnown bounds the kinds of records that are known at a time.
	mostKnown = 512
	// mostOthers is how many further ones are written a minute.
	mostOthers = 60
)

// names reports whether the value of an attribute makes two records tell of two things.
// Other attributes, such as err or waiting, only say more of the same.
func names(attribute string) bool {
	switch attribute {
	case "line", "device", "channel", "group", "machine", "system", "subject", "kind", "path", "file", "rule", "target", "part":
		return true
	}
	return false
}

// repeats knows what was written of late.
type repeats struct {
	next slog.Handler

	mu     sync.Mutex // protects the rest; held while next takes a record
	known  map[string]*seen
	others int       // records that found no place since othersAt
	since  time.Time // when counting others began
}

// seen is one kind of record.
type seen struct {
	told    time.Time    // when one was last written
	more    int          // how many came since
	last    slog.Record  // the last of them
	handler slog.Handler // with the attributes of its logger
}

func newRepeats(next slog.Handler) *repeats { return &repeats{next: next, known: map[string]*seen{}} }

// handler is what a Logger is made of.
func (r *repeats) handler() slog.Handler { return &limited{repeats: r, next: r.next} }

// start sums up by a goroutine, until stop, which writes the rest.
func (r *repeats) start() (stop func()) {
	ending, done := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(done)
		every := time.NewTicker(lookEvery)
		defer every.Stop()
		for {
			select {
			case <-every.C:
				r.sum(time.Now(), false)
			case <-ending:
				r.sum(time.Now(), true)
				return
			}
		}
	}()
	return func() {
		close(ending)
		<-done
	}
}

// tell logs something of the log itself.
func (r *repeats) tell(level slog.Level, what string, args ...any) {
	slog.New(r.handler()).Log(context.Background(), level, what, args...)
}

// take writes a record or counts it.
func (r *repeats) take(ctx context.Context, key string, record slog.Record, to slog.Handler) error {
	now := time.Now()
	r.mu.Lock()
	defer r.mu.Unlock()
	s := r.known[key]
	switch {
	case s == nil && len(r.known) >= mostKnown:
		r.countOthers(ctx, now)
		if r.others++; r.others > mostOthers {
			return nil
		}
		return to.Handle(ctx, record)
	case s == nil:
		r.known[key] = &seen{told: now}
		return to.Handle(ctx, record)
	case s.more == 0 && now.Sub(s.told) >= repeatEvery:
		s.told = now
		return to.Handle(ctx, record)
	}
	s.more++
	s.last, s.handler = record.Clone(), to
	return nil
}

// sum writes a summary of each kind whose minute is over, or of all at the end, and
// forgets what did not come again.
func (r *repeats) sum(now time.Time, all bool) {
	ctx := context.Background()
	r.mu.Lock()
	defer r.mu.Unlock()
	var due []string
	for key, s := range r.known {
		switch {
		case !all && now.Sub(s.told) < repeatEvery:
		case s.more == 0:
			delete(r.known, key)
		default:
			due = append(due, key)
		}
	}
	slices.SortFunc(due, func(a, b string) int {
		return cmp.Or(r.known[a].last.Time.Compare(r.known[b].last.Time), cmp.Compare(a, b))
	})
	for _, key := range due {
		s := r.known[key]
		s.last.AddAttrs(slog.Int("repeated", s.more))
		_ = s.handler.Handle(ctx, s.last) // there is nowhere else to say that it is not logged
		*s = seen{told: now}
	}
	if all {
		now = r.since.Add(repeatEvery)
	}
	r.countOthers(ctx, now)
}

// countOthers begins a new minute of the records that found no place, if the last is over,
// and says how many of them were not written. mu is held.
func (r *repeats) countOthers(ctx context.Context, now time.Time) {
	if now.Sub(r.since) < repeatEvery {
		return
	}
	if left := r.others - mostOthers; left > 0 {
		record := slog.NewRecord(now, slog.LevelWarn, "more different messages than can be told apart; some were left out", 0)
		record.AddAttrs(slog.Int("left_out", left))
		_ = r.next.Handle(ctx, record) // as in sum
	}
	r.since, r.others = now, 0
}

// limited is the slog.Handler of repeats, with the attributes of one Logger.
type limited struct {
	repeats *repeats
	next    slog.Handler
	named   string // what the Logger's own attributes name
	groups  string
}

// Enabled implements slog.Handler.
func (h *limited) Enabled(ctx context.Context, level slog.Level) bool {
	return h.next.Enabled(ctx, level)
}

// Handle implements slog.Handler.
func (h *limited) Handle(ctx context.Context, record slog.Record) error {
	var key strings.Builder
	fmt.Fprintf(&key, "%d %s%s", record.Level, withoutNumbers(record.Message), h.named)
	record.Attrs(func(a slog.Attr) bool {
		addName(&key, h.groups, a)
		return true
	})
	return h.repeats.take(ctx, key.String(), record, h.next)
}

// WithAttrs implements slog.Handler.
func (h *limited) WithAttrs(attrs []slog.Attr) slog.Handler {
	var named strings.Builder
	for _, a := range attrs {
		addName(&named, h.groups, a)
	}
	with := *h
	with.next, with.named = h.next.WithAttrs(attrs), h.named+named.String()
	return &with
}

// WithGroup implements slog.Handler.
func (h *limited) WithGroup(group string) slog.Handler {
	with := *h
	with.next, with.groups = h.next.WithGroup(group), h.groups+group+"."
	return &with
}

// addName adds an attribute to a key if it is one that names something.
func addName(key *strings.Builder, groups string, a slog.Attr) {
	if names(a.Key) {
		fmt.Fprintf(key, "\x00%s%s=%s", groups, a.Key, a.Value.Resolve())
	}
}

// withoutNumbers writes one # for each run of digits: a port or a count does not make a
// message another one.
func withoutNumbers(message string) string {
	var b strings.Builder
	inNumber := false
	for i := range len(message) {
		digit := message[i] >= '0' && message[i] <= '9'
		if !digit {
			b.WriteByte(message[i])
		} else if !inNumber {
			b.WriteByte('#')
		}
		inNumber = digit
	}
	return b.String()
}
