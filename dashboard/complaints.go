package dashboard

import (
	"context"
	"log/slog"
	"strings"
	"sync"
	"time"
)

// seldom logs the first of what anybody can make happen as often as they like, then
// at most one line a minute with a count.
type seldom struct {
	mu    sync.Mutex // protects what follows
	last  time.Time
	since int
}

// note logs what happened; count is what the number is called.
func (f *seldom) note(log *slog.Logger, level slog.Level, event, why, count string) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.since++
	if now := time.Now(); now.Sub(f.last) >= time.Minute {
		log.Log(context.Background(), level, event, "why", why, count, f.since)
		f.last, f.since = now, 0
	}
}

// refusals are requests that were refused.
type refusals struct {
	log *slog.Logger
	seldom
}

func (f *refusals) note(message string) {
	f.seldom.note(f.log, slog.LevelWarn, "request refused", message, "refused")
}

// complaints takes what net/http says of connections. Each kind is counted by itself,
// so that what anybody can cause hides nothing else.
type complaints struct {
	log                       *slog.Logger
	handshakes, panics, other seldom
}

// What net/http's own lines begin with (from its source).
const (
	handshakeFailed = "http: TLS handshake error from "
	handlerPanicked = "http: panic serving "
)

// Write implements io.Writer.
func (c *complaints) Write(p []byte) (int, error) {
	text := strings.TrimSpace(string(p))
	switch {
	case strings.HasPrefix(text, handshakeFailed):
		// Every browser breaks off at a certificate that it does not know, before it asks
		// whether to go on: nothing is wrong with that.
		c.handshakes.note(c.log, slog.LevelInfo, "a connection ended before it was encrypted", clip(strings.TrimPrefix(text, handshakeFailed)), "ended")
	case strings.HasPrefix(text, handlerPanicked):
		c.panics.note(c.log, slog.LevelError, "a request could not be answered", clipTo(text, mostPanic), "times")
	default:
		c.other.note(c.log, slog.LevelWarn, "a connection failed", clip(text), "times")
	}
	return len(p), nil
}

// mostPanic is enough of a panic's stack to see where it came from.
const mostPanic = 4 << 10
