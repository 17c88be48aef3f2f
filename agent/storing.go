package agent

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"time"

	"loadscribe/agent/scan"
	"loadscribe/agent/store"
)

const (
	// batchScans is how many scans are shown or kept at a time.
	batchScans = 512
	// retryKeep is how long the writer waits before it asks a full store again.
	retryKeep = 250 * time.Millisecond
)

// show tells the page and the watch of each scan, whatever the disk does.
func (a *Agent) show(ctx context.Context) error {
	for {
		a.turning.show.Idle()
		batch := a.queue.fresh(ctx, batchScans)
		if len(batch) == 0 {
			return nil
		}
		a.turning.show.Busy("showing readings", loopLimit)
		a.noteSleep()
		for i := range batch {
			s := &batch[i]
			a.board.post(s)
			for _, e := range a.watch.step(s) {
				a.queueEvent(e)
			}
			a.seeAlarms(s)
			a.observeHookup(s)
			a.observeTests(s)
			a.tell("scan", ScanUpdateOf(s))
		}
	}
}

// write is the store's only writer of scans. A batch that the store has no
// room for waits here while the queue fills, and after that loses its oldest.
// When ctx ends it still writes what is queued.
func (a *Agent) write(ctx context.Context) error {
	gone := uint64(0) // at a stop
	for {
		a.turning.write.Idle()
		batch, lost := a.queue.take(ctx, batchScans)
		a.turning.write.Busy("keeping readings", loopLimit)
		if len(batch) == 0 {
			if gone > 0 {
				a.log.Error("stopped while the store took nothing", "lost", gone)
			}
			return nil
		}
		switch err := a.keep(ctx, batch); {
		case errors.Is(err, store.ErrBacklog):
			n := readings(batch)
			gone += n
			a.refused.Add(n)
		case err != nil:
			return err
		}
		a.noteLost(lost)
		a.tellStates()
		a.tell("figures_changed", nil)
	}
}

// readings counts the scans of a batch without the marks of what was dropped
// before, which is counted already.
func readings(batch []scan.Scan) (n uint64) {
	for i := range batch {
		if batch[i].Reason != scan.Dropped {
			n++
		}
	}
	return n
}

// keep appends a batch, waiting for room until ctx ends; then, without room,
// the batch is lost and the error wraps store.ErrBacklog.
func (a *Agent) keep(ctx context.Context, batch []scan.Scan) error {
	var trouble store.Trouble
	for {
		a.turning.write.Busy("keeping readings", loopLimit)
		err := a.store.Append(batch)
		mono, _ := a.clock.Now()
		switch {
		case err == nil:
			trouble.Over(a.log, mono, "scans are kept again", "dropped", a.droppedScans())
			return nil
		case errors.Is(err, store.ErrClosed):
			return err
		case !errors.Is(err, store.ErrBacklog):
			return a.keepSingly(batch, err)
		}
		trouble.Failed(a.log, mono, "the store takes no more scans; polling goes on, scans wait in memory", "err", err,
			"waiting", a.queue.Waiting(), "dropped", a.droppedScans())
		if !wait(ctx, retryKeep) {
			return err
		}
	}
}

// keepSingly appends a batch in which a scan is not one that can be stored: a
// fault of this program's own, which costs that scan and no other.
func (a *Agent) keepSingly(batch []scan.Scan, why error) error {
	n := 0
	for i := range batch {
		if err := a.store.Append(batch[i : i+1]); err != nil {
			why = err
			n++
		}
	}
	a.refused.Add(uint64(n))
	a.log.Error("scans that cannot be stored", "err", why, "lost", n)
	return nil
}

// wait returns false if ctx ends first.
func wait(ctx context.Context, d time.Duration) bool {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-timer.C:
		return true
	case <-ctx.Done():
		return false
	}
}

// noteLost keeps in an event, for each device, what the queue had to drop. The
// store counts them from it.
func (a *Agent) noteLost(lost []*lostSpan) {
	for _, span := range lost {
		g := span.first.Group
		e := store.Event{Kind: store.KindDropped, Subject: g.Device, WallMS: span.last.WallMS, MonoMS: span.last.MonoMS,
			Text: fmt.Sprintf("%d scans of %s (every %s), read between %s and %s, could not be kept: the disk took no data and the memory set aside was full",
				span.scans, g.Device, g.Name, Stamp(span.first.WallMS), Stamp(span.last.WallMS)),
			Data: map[string]string{"scans": strconv.FormatUint(span.scans, 10), "group": g.Name,
				"from": Stamp(span.first.WallMS).String(), "to": Stamp(span.last.WallMS).String()}}
		a.lossMu.Lock()
		kept, err := a.store.AppendEvent(e)
		if err == nil {
			a.noted += span.scans
		}
		a.lossMu.Unlock()
		if err != nil {
			a.log.Error("event not kept", "kind", e.Kind, "subject", e.Subject, "err", err)
			continue
		}
		a.log.Error("scans were dropped", "device", g.Device, "scans", span.scans, "from", e.Data["from"], "to", e.Data["to"])
		a.tell("event", EventOf(kept))
	}
}

// droppedScans is how many scans were read and not kept since the store began.
func (a *Agent) droppedScans() int64 {
	a.lossMu.Lock()
	defer a.lossMu.Unlock()
	n := a.queue.Dropped() + a.refused.Load() - a.noted
	for _, counts := range a.store.Failures() {
		n += counts[scan.Dropped]
	}
	return int64(n)
}
