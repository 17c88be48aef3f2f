package main

import (
	"context"
	"log/slog"
	"sync"
	"time"

	"loadscribe/cmd/loadscribe/service"
)

// heart tells the service manager how the recording stands: that it is ready, that it
// stops, and, for as long as its loops turn, that it is alive.
type heart struct {
	notify service.Notify
	log    *slog.Logger
	ended  chan struct{}

	mu      sync.Mutex // protects turning
	turning func() (ok bool, why string)
}

// beat starts telling, until ctx ends; wait then waits for it. every is 0 where nobody
// wants signs of life.
func beat(ctx context.Context, notify service.Notify, every time.Duration, log *slog.Logger) *heart {
	h := &heart{notify: notify, log: log, ended: make(chan struct{})}
	go h.run(ctx, every)
	return h
}

func (h *heart) wait() { <-h.ended }

// watch names what says whether the loops turn; nil: an agent is being opened, which may
// take long and is no reason to start anew.
func (h *heart) watch(turning func() (ok bool, why string)) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.turning = turning
}

// serves says that the pages are there.
func (h *heart) serves(site, url string) {
	h.tell(service.Ready, service.StatusText("records "+site+", pages at "+url))
}

func (h *heart) tell(states ...string) {
	if err := h.notify(states...); err != nil {
		h.log.Warn("the service manager cannot be told how it stands", "err", err)
	}
}

func (h *heart) run(ctx context.Context, every time.Duration) {
	defer close(h.ended)
	var tick <-chan time.Time
	if every > 0 {
		ticker := time.NewTicker(every)
		defer ticker.Stop()
		tick = ticker.C
	}
	for still := true; ; {
		select {
		case <-ctx.Done():
			h.tell(service.Stopping)
			return
		case <-tick:
			still = h.look(still)
		}
	}
}

// look gives one sign of life, if it is due; still is what the look before saw.
func (h *heart) look(still bool) (ok bool) {
	h.mu.Lock()
	turning := h.turning
	h.mu.Unlock()
	ok, why := true, ""
	if turning != nil {
		ok, why = turning()
	}
	switch {
	case ok:
		h.tell(service.Alive)
	case still:
		h.log.Error("a loop of the recording does not turn; the service manager will start it anew if it stays so", "why", why)
	}
	return ok
}
