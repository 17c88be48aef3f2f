package agent

import (
	"context"
	"errors"
	"fmt"
	"time"

	"loadscribe/agent/analysis"
	"loadscribe/agent/poll"
	"loadscribe/agent/scan"
	"loadscribe/agent/store"
)

// tellStates publishes the machines whose state has changed. As events they are
// not stored: they are in the fold, see Events.
func (a *Agent) tellStates() {
	for i := range a.site.Machines {
		now := a.machineState(a.site.Machines[i].Name)
		before, known := a.shown[now.Machine]
		a.shown[now.Machine] = now
		if known && before.State == now.State && before.StartsLastHour == now.StartsLastHour {
			continue
		}
		a.tell("state", now)
	}
}

// keepEvents writes queued events to the store; when ctx ends, those that wait.
func (a *Agent) keepEvents(ctx context.Context) error {
	a.keeping.Store(true)
	defer a.keeping.Store(false)
	for {
		a.turning.events.Idle()
		select {
		case e := <-a.events:
			a.turning.events.Busy("keeping events", loopLimit)
			a.keepEvent(e)
		case done := <-a.settle:
			a.turning.events.Busy("keeping events", loopLimit)
			a.keepQueued()
			close(done)
		case <-ctx.Done():
			a.keepQueued()
			a.loseTests()
			return nil
		}
	}
}

func (a *Agent) keepQueued() {
	for len(a.events) > 0 {
		a.keepEvent(<-a.events)
	}
}

// errUnsettled: the loop that keeps events did not get to it in time.
var errUnsettled = errors.New("events are not kept at the moment")

// settleTime is how long a person's request waits for the loop that keeps events.
const settleTime = 2 * time.Second

// settleEvents waits until the events queued so far are safe on the disk: what a person
// was told is done must outlast a power cut.
func (a *Agent) settleEvents() error {
	if !a.keeping.Load() {
		return errUnsettled
	}
	timer := time.NewTimer(settleTime)
	defer timer.Stop()
	done := make(chan struct{})
	select {
	case a.settle <- done:
	case <-timer.C:
		return errUnsettled
	}
	select {
	case <-done:
	case <-timer.C:
		return errUnsettled
	}
	if err := a.store.Sync(); err != nil {
		return fmt.Errorf("keep events: %w", err)
	}
	return nil
}

func (a *Agent) keepEvent(e store.Event) {
	kept, err := a.store.AppendEvent(e)
	if errors.Is(err, store.ErrBacklog) && e.Kind == analysis.KindTest {
		a.fileLater(e)
		return
	}
	if errors.Is(err, store.ErrBacklog) {
		a.loseEvent(&e)
		kept = e
	} else if err != nil {
		a.log.Error("event not kept", "kind", e.Kind, "subject", e.Subject, "err", err)
		kept = e
	}
	a.tell("event", EventOf(kept))
}

// queueEvent hands e to keepEvents without waiting. An event without a time
// gets the present.
func (a *Agent) queueEvent(e store.Event) {
	if e.WallMS == 0 {
		_, e.WallMS = a.clock.Now()
	}
	select {
	case a.events <- e:
	default:
		a.loseEvent(&e)
	}
}

// loseEvent counts an event that there is no room for, and logs the first.
func (a *Agent) loseEvent(e *store.Event) {
	if a.lostNotes.Add(1) == 1 {
		a.log.Error("no room for events: some are not kept", "kind", e.Kind, "subject", e.Subject)
	}
}

func (a *Agent) note(kind, subject, text string, data map[string]string) error {
	_, wallMS := a.clock.Now()
	e, err := a.store.AppendEvent(store.Event{WallMS: wallMS, Kind: kind, Subject: subject, Text: text, Data: data})
	if err == nil {
		a.tell("event", EventOf(e))
	}
	return err
}

// lineChanged implements poll.Options.OnLine.
func (a *Agent) lineChanged(l poll.LineStatus) {
	kind := "line_down"
	if l.Up {
		kind = "line_up"
	}
	a.queueEvent(store.Event{Kind: kind, Subject: l.Line, Text: fmt.Sprintf("line %s: %s", l.Line, l.Detail)})
	a.tell("line", lineState(l))
}

// deviceChanged implements poll.Options.OnDevice.
func (a *Agent) deviceChanged(d poll.DeviceStatus) {
	kind := "device_down"
	if d.Up {
		kind = "device_up"
	}
	text := deviceText(d)
	a.queueEvent(store.Event{Kind: kind, Subject: d.Device, Text: text,
		Data: map[string]string{"reason": d.LastReason.String()}})
	a.tell("device", deviceState(d))
}

// deviceText says in a sentence what has become of a device. Only one that
// says nothing is silent: others answer, but not what is wanted.
func deviceText(d poll.DeviceStatus) string {
	switch {
	case d.Up:
		return fmt.Sprintf("device %s answers", d.Device)
	case d.LastReason == scan.Timeout:
		return fmt.Sprintf("device %s is silent: %s", d.Device, d.Detail)
	case d.LastReason == scan.StartMismatch:
		return fmt.Sprintf("device %s has another map: %s", d.Device, d.Detail)
	}
	return fmt.Sprintf("device %s gives no values: %s", d.Device, d.Detail)
}

func lineState(l poll.LineStatus) LineState {
	return LineState{Line: l.Line, Up: l.Up, Detail: l.Detail}
}

func deviceState(d poll.DeviceStatus) DeviceState {
	s := DeviceState{
		Device: d.Device, Line: d.Line, Up: d.Up, LastScan: Stamp(d.LastGoodMS), Detail: d.Detail,
		RoundTripMS: float64(d.RoundTripP50) / float64(time.Millisecond), Scans: int64(d.Scans), Errors: map[string]int64{},
	}
	s.TurnaroundMS = float64(d.Turnaround.Microseconds()) / 1000
	s.RefreshMS, s.Hint = d.Hint()
	if !d.Up && d.LastReason != scan.Good {
		s.Reason = d.LastReason.String()
	}
	for reason, n := range d.Errors {
		s.Errors[reason.String()] = int64(n)
	}
	return s
}
