package store

import (
	"context"
	"errors"
	"time"
)

// yieldEvery is how often a reader of a stopped store looks whether an agent
// wants the directory.
const yieldEvery = 200 * time.Millisecond

// yieldLoop gives the database up when an agent starts on the directory:
// recording must not wait until somebody's export has ended. The agent holds
// the directory's lock by then and waits for that of the database.
func (s *Store) yieldLoop(ctx context.Context) {
	defer close(s.done)
	tick := time.NewTicker(yieldEvery)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
		if !errors.Is(probeLock(s.dir), ErrLocked) {
			continue
		}
		s.mu.Lock()
		s.yielded = true
		s.mu.Unlock()
		// waits for a read that runs; those are short, see Scans
		if err := guard(s.db.Close); err != nil {
			s.log.Debug("database not closed for the agent that starts", "error", err)
		}
		return
	}
}

// closedError is what a read of a closed database comes to.
func (s *Store) closedError() error {
	s.mu.RLock()
	defer s.mu.RUnlock()
	if s.yielded {
		return ErrYielded
	}
	return ErrClosed
}
