package modbus

import (
	"context"
	"io"
	"sync"
	"time"
)

// Bounds of input that nobody has asked for yet.
const (
	maxHeld       = 4096 // bytes held between two reads; more is dropped and counted
	maxEmptyReads = 100  // reads in a row without byte or error before the link counts as broken
)

// deadlineError ends a wait; it never leaves the package.
type deadlineError struct{}

func (deadlineError) Error() string { return "deadline" }

// receiver takes bytes from a link as they come, in a goroutine of its own, so
// that no wait depends on the link's own ideas of timeouts.
type receiver struct {
	arrived chan struct{} // holds one token when there is news
	done    chan struct{} // closed when the goroutine has ended

	mu      sync.Mutex // protects all below
	held    []byte
	last    time.Time // when the last byte came
	dropped uint64
	err     error // set once; the link is of no use any more
}

func newReceiver(link io.Reader) *receiver {
	r := &receiver{
		arrived: make(chan struct{}, 1),
		done:    make(chan struct{}),
		held:    make([]byte, 0, maxHeld),
	}
	go r.run(link)
	return r
}

func (r *receiver) run(link io.Reader) {
	defer close(r.done)
	var chunk [512]byte
	empty := 0
	for {
		n, err := link.Read(chunk[:])
		if n == 0 && err == nil {
			if empty++; empty < maxEmptyReads {
				continue
			}
			err = io.ErrNoProgress
		}
		if n > 0 {
			empty = 0
			r.put(chunk[:n])
		}
		if err != nil {
			r.fail(err)
			return
		}
	}
}

func (r *receiver) put(p []byte) {
	r.mu.Lock()
	if room := maxHeld - len(r.held); len(p) > room {
		r.dropped += uint64(len(p) - room)
		p = p[:room]
	}
	r.held = append(r.held, p...)
	r.last = time.Now()
	r.mu.Unlock()
	r.wake()
}

// fail makes every wait end with err.
func (r *receiver) fail(err error) {
	r.mu.Lock()
	if r.err == nil {
		r.err = err
	}
	r.mu.Unlock()
	r.wake()
}

func (r *receiver) wake() {
	select {
	case r.arrived <- struct{}{}:
	default:
	}
}

// take appends what has come to dst.
func (r *receiver) take(dst []byte) []byte {
	r.mu.Lock()
	defer r.mu.Unlock()
	dst = append(dst, r.held...)
	r.held = r.held[:0]
	return dst
}

// lastByte returns when the last byte came; zero before the first.
func (r *receiver) lastByte() time.Time {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.last
}

// drops returns how many bytes found no room.
func (r *receiver) drops() uint64 {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.dropped
}

// wait returns nil once there are bytes to take, the link's error once it has
// failed and nothing is left to take, the context's error, or deadlineError
// when until has passed. Only one goroutine waits at a time; timer is its own.
func (r *receiver) wait(ctx context.Context, timer *time.Timer, until time.Time) error {
	for {
		r.mu.Lock()
		held, err := len(r.held), r.err
		r.mu.Unlock()
		switch {
		case held > 0:
			return nil
		case err != nil:
			return err
		}
		left := time.Until(until)
		if left <= 0 {
			return deadlineError{}
		}
		timer.Reset(left)
		select {
		case <-r.arrived:
		case <-timer.C:
		case <-ctx.Done():
			timer.Stop()
			return ctx.Err()
		}
		timer.Stop()
	}
}
