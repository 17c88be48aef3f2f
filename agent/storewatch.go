package agent

import (
	"context"
	"fmt"
	"time"

	"loadscribe/agent/store"
)

const (
	kindStoreDown = "store_down"
	kindStoreUp   = "store_up"
	// storeLook is how often it is looked how the disk is. What is so at two
	// looks running is told.
	storeLook = 2 * time.Second
)

// storeWatch makes events of the times at which the disk takes nothing. They
// wait in memory with the readings.
type storeWatch struct {
	down    bool
	changed bool  // at the last look it was not as told
	sinceMS int64 // monotonic time of the trouble
}

// watchStore looks until ctx ends.
func (a *Agent) watchStore(ctx context.Context) error {
	var w storeWatch
	for wait(ctx, storeLook) {
		stats := a.store.Present()
		what, _ := a.storeTrouble(&stats)
		a.seeDisk(what, &stats)
		mono, _ := a.clock.Now()
		if e := w.look(what, mono, a.droppedScans()); e.Kind != "" {
			a.queueEvent(e)
		}
	}
	return nil
}

// look takes what is wrong, nothing if empty, and returns the event that it
// makes, if any.
func (w *storeWatch) look(what string, monoMS, dropped int64) store.Event {
	if (what != "") == w.down {
		w.changed = false
		return store.Event{}
	}
	if !w.changed {
		w.changed = true
		if what != "" {
			w.sinceMS = monoMS
		}
		return store.Event{}
	}
	w.changed, w.down = false, what != ""
	if w.down {
		return store.Event{Kind: kindStoreDown, Text: what + ": readings wait in memory"}
	}
	text := fmt.Sprintf("the data directory takes readings again after %s; none was lost", spoken(monoMS-w.sinceMS))
	if dropped > 0 {
		text = fmt.Sprintf("the data directory takes readings again after %s; %d could not be kept since the record began", spoken(monoMS-w.sinceMS), dropped)
	}
	return store.Event{Kind: kindStoreUp, Text: text, Data: map[string]string{"after_ms": fmt.Sprint(monoMS - w.sinceMS)}}
}
