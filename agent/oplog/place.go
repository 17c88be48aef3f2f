package oplog

import (
	"context"
	"fmt"
	"log/slog"
	"sync/atomic"
)

// placeLines bounds the lines that wait for a place: a burst, not an outage.
const placeLines = 1024

// line is one record, written out.
type line struct {
	level slog.Level
	text  []byte // ends with a newline
}

// place is where lines are written, by a goroutine of its own, so that who logs never
// waits. Its lines are put by several goroutines.
type place struct {
	name     string
	write    func(line) error
	shut     func() error                                  // after the last line; nil: nothing
	troubled func(level slog.Level, what string, a ...any) // logs to all places, this one included
	lines    chan line
	ending   chan struct{}
	done     chan struct{}
	lost     atomic.Uint64 // lines that were not written since it was last told
	last     error         // of writing; the goroutine's until done
}

func newPlace(name string, write func(line) error) *place {
	return &place{name: name, write: write, lines: make(chan line, placeLines),
		ending: make(chan struct{}), done: make(chan struct{})}
}

// put leaves a line to be written. One that finds no room is counted.
func (p *place) put(level slog.Level, text []byte) {
	select {
	case p.lines <- line{level, append([]byte(nil), text...)}:
	default:
		p.lost.Add(1)
	}
}

func (p *place) start() {
	go func() {
		defer close(p.done)
		for ending := false; !ending; {
			select {
			case l := <-p.lines:
				p.one(l)
			case <-p.ending:
				ending = true
			}
		}
		for len(p.lines) > 0 {
			p.one(<-p.lines)
		}
		if p.shut != nil {
			if err := p.shut(); p.last == nil {
				p.last = err
			}
		}
	}()
}

// one writes a line. That lines are lost is told once, and their number when one is
// written again.
func (p *place) one(l line) {
	err := p.write(l)
	if err != nil {
		p.lost.Add(1)
		if p.last == nil {
			p.troubled(slog.LevelWarn, "the log cannot be written", "path", p.name, "err", err)
		}
	} else if n := p.lost.Swap(0); n > 0 {
		p.troubled(slog.LevelWarn, "lines of the log were lost", "path", p.name, "lost", n)
	}
	p.last = err
}

// close writes what waits until ctx ends; a write that hangs is left behind.
func (p *place) close(ctx context.Context) error {
	close(p.ending)
	select {
	case <-p.done:
	case <-ctx.Done():
		return fmt.Errorf("log to %s: the last lines are not written: %w", p.name, ctx.Err())
	}
	if p.last != nil {
		return fmt.Errorf("log to %s: %w", p.name, p.last)
	}
	return nil
}
