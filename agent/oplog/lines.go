package oplog

import (
	"bytes"
	"context"
	"log/slog"
	"strings"
	"sync"
)

// lineHandler writes a record as one line of text to a place.
type lineHandler struct {
	shared *lineBuffer
	inner  slog.Handler // writes into shared; has the attributes of WithAttrs
	least  slog.Level
	dress  func(level slog.Level, text []byte) []byte // puts the line together
	place  *place
}

// lineBuffer takes one line at a time.
type lineBuffer struct {
	mu  sync.Mutex // held while a line is made
	buf bytes.Buffer
}

func newLines(p *place, least slog.Level, bare bool, dress func(slog.Level, []byte) []byte) *lineHandler {
	b := &lineBuffer{}
	options := &slog.HandlerOptions{Level: least, ReplaceAttr: func(groups []string, a slog.Attr) slog.Attr {
		if len(groups) > 0 {
			return a
		}
		switch {
		case bare && (a.Key == slog.TimeKey || a.Key == slog.LevelKey):
			return slog.Attr{}
		case a.Key == slog.LevelKey && a.Value.Any() == Notice:
			a.Value = slog.StringValue("NOTICE")
		}
		return a
	}}
	return &lineHandler{shared: b, inner: slog.NewTextHandler(&b.buf, options), least: least, dress: dress, place: p}
}

// newText is for a file and for a person: time, level, message, attributes.
func newText(p *place) slog.Handler {
	return newLines(p, slog.LevelInfo, false, func(_ slog.Level, text []byte) []byte { return text })
}

// newJournal begins lines as sd-daemon(3) says: "<3>" for errors, "<4>" warnings, "<5>"
// notices, "<6>" information, "<7>" debugging; the journal adds the time.
func newJournal(p *place) slog.Handler {
	return newLines(p, slog.LevelInfo, true, func(level slog.Level, text []byte) []byte {
		return append([]byte{'<', priority(level), '>'}, text...)
	})
}

func priority(level slog.Level) byte {
	switch {
	case level >= slog.LevelError:
		return '3'
	case level >= slog.LevelWarn:
		return '4'
	case level >= Notice:
		return '5'
	case level >= slog.LevelInfo:
		return '6'
	}
	return '7'
}

// newSystem gives call what belongs into the system's event log.
func newSystem(p *place, call func(slog.Level, string)) slog.Handler {
	p.write = func(l line) error {
		call(l.level, strings.TrimSuffix(string(l.text), "\n"))
		return nil
	}
	return newLines(p, Notice, true, func(_ slog.Level, text []byte) []byte { return text })
}

// Enabled implements slog.Handler.
func (h *lineHandler) Enabled(_ context.Context, level slog.Level) bool { return level >= h.least }

// Handle implements slog.Handler.
func (h *lineHandler) Handle(ctx context.Context, r slog.Record) error {
	h.shared.mu.Lock()
	defer h.shared.mu.Unlock()
	h.shared.buf.Reset()
	if err := h.inner.Handle(ctx, r); err != nil {
		return err
	}
	h.place.put(r.Level, h.dress(r.Level, h.shared.buf.Bytes()))
	return nil
}

// WithAttrs implements slog.Handler.
func (h *lineHandler) WithAttrs(attrs []slog.Attr) slog.Handler {
	with := *h
	with.inner = h.inner.WithAttrs(attrs)
	return &with
}

// WithGroup implements slog.Handler.
func (h *lineHandler) WithGroup(name string) slog.Handler {
	with := *h
	with.inner = h.inner.WithGroup(name)
	return &with
}
