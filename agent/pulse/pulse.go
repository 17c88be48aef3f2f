package pulse

import (
	"context"
	"sync"
	"time"
)

const (
	// Grace is what any step of a loop may take beside what it waits for: on a
	// processor that others keep busy, a lock or a page of memory can take seconds.
	Grace = 15 * time.Second
	// lookEvery is how often Watch looks.
	lookEvery = time.Second
)

// Pulse is what one loop shows of itself. Its methods may be called from several
// goroutines: Busy and Idle by the loop, Look by its watcher. The zero value is idle.
type Pulse struct {
	mu     sync.Mutex // protects the rest
	doing  string     // empty: nothing that can hang
	atMost time.Duration
	age    time.Duration // since it was told, as Look counts it
}

// Busy says what the loop does now, a phrase such as "reading from meter", and how long it
// waits in that at most; Grace comes on top.
func (p *Pulse) Busy(doing string, atMost time.Duration) {
	p.mu.Lock()
	p.doing, p.atMost, p.age = doing, atMost+Grace, 0
	p.mu.Unlock()
}

// Idle says that the loop waits for its own timer or for work, for as long as it likes.
func (p *Pulse) Idle() { p.Busy("", 0) }

// Doing is what the loop said last; empty while it is idle.
func (p *Pulse) Doing() string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.doing
}

// Look counts time that has passed and tells what the loop hangs in, and since when; empty
// while it does not.
func (p *Pulse) Look(passed time.Duration) (hangs string, since time.Duration) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.doing == "" {
		return "", 0
	}
	if p.age += passed; p.age <= p.atMost {
		return "", 0
	}
	return p.doing, p.age
}

// Excuse begins to count anew: it is known what the loop waits for.
func (p *Pulse) Excuse() {
	p.mu.Lock()
	p.age = 0
	p.mu.Unlock()
}

// Watch calls look once a second until ctx ends, with the time that has passed, of which
// one look counts two seconds at most.
func Watch(ctx context.Context, look func(passed time.Duration)) {
	every := time.NewTicker(lookEvery)
	defer every.Stop()
	for last := time.Now(); ; {
		select {
		case <-ctx.Done():
			return
		case <-every.C:
			now := time.Now()
			look(min(now.Sub(last), 2*lookEvery))
			last = now
		}
	}
}
