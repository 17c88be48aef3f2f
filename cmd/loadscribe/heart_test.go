package main

import (
	"bytes"
	"context"
	"errors"
	"log/slog"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"
)

// TestHeart: signs of life come while the loops turn, stop when they do not, come again
// when they do, and the reason is logged once each time.
func TestHeart(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var log bytes.Buffer // written and read in turns, with synctest.Wait between
		var mu sync.Mutex    // protects told
		var told []string
		var turns atomic.Bool
		turns.Store(true)
		ctx, stop := context.WithCancel(t.Context())
		h := beat(ctx, func(states ...string) error {
			mu.Lock()
			defer mu.Unlock()
			told = append(told, states...)
			return nil
		}, 20*time.Second, slog.New(slog.NewTextHandler(&log, nil)))
		alive := func(span time.Duration) int {
			mu.Lock()
			told = nil
			mu.Unlock()
			time.Sleep(span)
			synctest.Wait()
			mu.Lock()
			defer mu.Unlock()
			return strings.Count(strings.Join(told, " "), "WATCHDOG=1")
		}
		if n := alive(61 * time.Second); n != 3 { // an agent is being opened
			t.Errorf("%d signs in a minute", n)
		}
		h.watch(func() (bool, string) { return turns.Load(), "line bus" })
		if n := alive(60 * time.Second); n != 3 {
			t.Errorf("%d signs in a minute", n)
		}
		for i := 1; i <= 2; i++ {
			turns.Store(false)
			if n := alive(5 * time.Minute); n != 0 {
				t.Errorf("%d signs of life while nothing turns", n)
			}
			if n := strings.Count(log.String(), "line bus"); n != i {
				t.Errorf("the reason is logged %d times:\n%s", n, &log)
			}
			turns.Store(true)
			if n := alive(60 * time.Second); n != 3 {
				t.Errorf("%d signs in a minute, once it turns again", n)
			}
		}
		stop()
		h.wait()
		if told[len(told)-1] != "STOPPING=1" {
			t.Errorf("told last: %q", told)
		}
	})
}

// TestHeartUnheard: a manager that cannot be told is no reason to stop.
func TestHeartUnheard(t *testing.T) {
	var log bytes.Buffer
	ctx, stop := context.WithCancel(t.Context())
	h := beat(ctx, func(...string) error { return errors.New("no socket") }, 0, slog.New(slog.NewTextHandler(&log, nil)))
	h.serves("a", "http://127.0.0.1:1")
	stop()
	h.wait()
	if n := strings.Count(log.String(), "no socket"); n != 2 {
		t.Errorf("logged %d times:\n%s", n, &log)
	}
}
