package textline

import (
	"context"
	"io"
	"sync"
	"time"
)

const (
	maxHeld       = 4096 // bytes held until they are asked for
	maxEmptyReads = 100  // reads in a row without byte or error before the link counts as broken
)

// receiver takes bytes from a link as they come, in a goroutine of its own.
type receiver struct {
	arrived chan struct{} // holds one token when there is news
	done    chan struct{} // closed when the goroutine has ended

	mu      sync.Mutex // protects all below
	held    []byte
	torn    bool      // bytes were dropped before held
	last    time.Time // when the last byte came
	dropped uint64
	err     error // set once; the link is of no use any more
}

func newReceiver(link io.Reader) *receiver {
	r := &receiver{arrived: make(chan struct{}, 1), done: make(chan struct{})}
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

// put keeps what has come. Where there is no room all that is held goes, lest
// two torn texts look like one.
func (r *receiver) put(p []byte) {
	r.mu.Lock()
	r.last = time.Now()
	if len(r.held)+len(p) > maxHeld {
		r.dropped += uint64(len(r.held))
		r.held, r.torn = r.held[:0], true
	}
	r.held = append(r.held, p...)
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

// take appends what has come to dst; torn means that what came before it was
// dropped, so that it may begin inside a text.
func (r *receiver) take(dst []byte) (all []byte, torn bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	torn = r.torn
	if torn {
		dst = dst[:0]
	}
	dst = append(dst, r.held...)
	r.held, r.torn = r.held[:0], false
	return dst, torn
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

// wait returns true once there are bytes to take, false when until has passed,
// the link's error once it has failed and nothing is left to take, or the
// context's.
func (r *receiver) wait(ctx context.Context, until time.Time) (bool, error) {
	timer := time.NewTimer(time.Until(until))
	defer timer.Stop()
	for {
		r.mu.Lock()
		held, err := len(r.held), r.err
		r.mu.Unlock()
		switch {
		case held > 0:
			return true, nil
		case err != nil:
			return false, err
		}
		select {
		case <-r.arrived:
		case <-timer.C:
			return false, nil
		case <-ctx.Done():
			return false, ctx.Err()
		}
	}
}
