package oplog

import (
	"bytes"
	"errors"
	"fmt"
	"log/slog"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"
)

// buffer is written by a place's goroutine while a test reads it.
type buffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (b *buffer) Write(p []byte) (int, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.b.Write(p)
}

// lines are those written so far, without their time.
func (b *buffer) lines() []string {
	b.mu.Lock()
	defer b.mu.Unlock()
	var all []string
	for l := range strings.Lines(b.b.String()) {
		l = strings.TrimSuffix(l, "\n")
		if _, rest, ok := strings.Cut(l, " level="); ok && strings.HasPrefix(l, "time=") {
			l = "level=" + rest
		}
		all = append(all, l)
	}
	return all
}

// logged runs f in a bubble whose clock stands still while anything is at work, and returns
// what standard error got.
func logged(t *testing.T, f func(log *slog.Logger)) []string {
	t.Helper()
	var out buffer
	synctest.Test(t, func(t *testing.T) {
		log, shut, err := Open(Options{Stderr: &out})
		if err != nil {
			t.Fatal(err)
		}
		f(log)
		if err := shut(); err != nil {
			t.Error(err)
		}
	})
	return out.lines()
}

func compare(t *testing.T, got []string, want ...string) {
	t.Helper()
	if strings.Join(got, "\n") != strings.Join(want, "\n") {
		t.Errorf("got\n  %s\nwant\n  %s", strings.Join(got, "\n  "), strings.Join(want, "\n  "))
	}
}

func TestRepeats(t *testing.T) {
	const failed = "level=WARN msg=\"device gives no values\" device=meter"
	for _, c := range []struct {
		name string
		do   func(log *slog.Logger)
		want []string
	}{
		{"once", func(log *slog.Logger) { log.Warn("device gives no values", "device", "meter") }, []string{failed}},
		{"the first, a summary a minute, the rest at the end", func(log *slog.Logger) {
			time.Sleep(time.Second / 2) // not on the instants at which it is looked for what is due
			for i := range 150 {
				log.Warn("device gives no values", "device", "meter", "n", i)
				time.Sleep(time.Second)
			}
		}, []string{failed + " n=0", failed + " n=59 repeated=59", failed + " n=118 repeated=59", failed + " n=149 repeated=31"}},
		{"a summary comes though nothing follows", func(log *slog.Logger) {
			log.Warn("device gives no values", "device", "meter")
			log.Warn("device gives no values", "device", "meter")
			time.Sleep(2 * time.Minute)
			log.Info("next")
		}, []string{failed, failed + " repeated=1", "level=INFO msg=next"}},
		{"two subjects, two levels", func(log *slog.Logger) {
			for range 2 {
				log.Warn("down", "line", "bus")
				log.With("line", "lan").Warn("down")
				log.Error("down", "line", "bus")
				time.Sleep(time.Second)
			}
		}, []string{"level=WARN msg=down line=bus", "level=WARN msg=down line=lan", "level=ERROR msg=down line=bus",
			"level=WARN msg=down line=bus repeated=1", "level=WARN msg=down line=lan repeated=1", "level=ERROR msg=down line=bus repeated=1"}},
		{"an error's words and a message's numbers tell no two things", func(log *slog.Logger) {
			log.Warn("refused 192.0.2.1:4711", "err", errors.New("one"))
			log.Warn("refused 192.0.2.77:8", "err", errors.New("two"))
		}, []string{`level=WARN msg="refused 192.0.2.1:4711" err=one`, `level=WARN msg="refused 192.0.2.77:8" err=two repeated=1`}},
		{"a minute apart is no repeat", func(log *slog.Logger) {
			for range 3 {
				log.Warn("down", "line", "bus")
				time.Sleep(time.Minute)
			}
		}, []string{"level=WARN msg=down line=bus", "level=WARN msg=down line=bus", "level=WARN msg=down line=bus"}},
		{"names in a group are another's", func(log *slog.Logger) {
			log.WithGroup("a").Warn("down", "line", "bus")
			log.WithGroup("b").Warn("down", "line", "bus")
		}, []string{"level=WARN msg=down a.line=bus", "level=WARN msg=down b.line=bus"}},
	} {
		t.Run(c.name, func(t *testing.T) { compare(t, logged(t, c.do), c.want...) })
	}
}

// TestRepeatsAreBounded floods the log with ever new messages, as somebody on the network
// may: neither the table nor the log grows with them, and what is left out is counted.
func TestRepeatsAreBounded(t *testing.T) {
	const flood = 100_000
	var out buffer
	synctest.Test(t, func(t *testing.T) {
		r := newRepeats(slog.NewTextHandler(&out, nil))
		stop := r.start()
		log := slog.New(r.handler())
		for i := range flood {
			log.Warn("refused "+strings.Repeat("x", i%1000), "path", fmt.Sprint(i))
		}
		r.mu.Lock()
		n := len(r.known)
		r.mu.Unlock()
		if n > mostKnown {
			t.Errorf("%d kinds are known, the bound is %d", n, mostKnown)
		}
		time.Sleep(2 * time.Minute)
		log.Warn("refused", "path", "later")
		stop()
	})
	lines := out.lines()
	if want := mostKnown + mostOthers + 2; len(lines) != want {
		t.Errorf("%d lines, want %d", len(lines), want)
	}
	left := fmt.Sprintf("left_out=%d", flood-mostKnown-mostOthers)
	if n := strings.Count(strings.Join(lines, "\n"), left); n != 1 {
		t.Errorf("%q is said %d times", left, n)
	}
	if last := lines[len(lines)-1]; !strings.HasSuffix(last, "path=later") {
		t.Errorf("after the flood the log says %q", last)
	}
}
