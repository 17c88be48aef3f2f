package poll

import (
	"context"
	"time"

	"loadscribe/agent/modbus/frame"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

const (
	// openLimit is the longest that opening a port may take.
	openLimit = 5 * time.Second
	// reopenAfter is how long a serial port on which every unit is silent stays
	// open: an adapter that hangs comes back only when it is opened anew.
	reopenAfter = time.Minute
)

// line polls one line. Everything in it is for its one goroutine; book alone is
// shared.
type line struct {
	site  *sitefile.Line
	slots []*slot
	units []*unit
	sink  Sink
	opts  Options
	book  *book

	client   Client    // nil: not open
	proven   bool      // the client has answered
	openedAt time.Time // of client
	openAt   time.Time // when to try next while client is nil
	pauses   pauses
	trouble  trouble
	last     *unit // asked last
}

// run polls until ctx ends.
func (l *line) run(ctx context.Context) {
	start := time.Now()
	l.openAt = start
	for _, s := range l.slots {
		s.due = start
	}
	defer l.close()
	for {
		s := next(l.slots, l.last)
		wake := s.due
		if now := time.Now(); wake.Before(now) {
			wake = now
		}
		opening := l.client == nil && !l.openAt.After(wake)
		if opening {
			wake = l.openAt
		}
		if !waitUntil(ctx, wake) {
			return
		}
		if opening {
			l.open(ctx)
			continue // time has passed: another group may be first now
		}
		l.serve(ctx, s)
		l.last = s.unit
		l.book.missed(s.advance(time.Now()))
	}
}

// waitUntil waits until t or the end of ctx; false means that ctx has ended.
func waitUntil(ctx context.Context, t time.Time) bool {
	d := time.Until(t)
	if d <= 0 {
		return ctx.Err() == nil
	}
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-timer.C:
		return true
	case <-ctx.Done():
		return false
	}
}

// open tries to open the port and sets when to try again.
func (l *line) open(ctx context.Context) {
	limited, cancel := context.WithTimeout(ctx, openLimit)
	defer cancel()
	client, err := l.opts.Dial(limited, l.site)
	if ctx.Err() != nil {
		if err == nil {
			_ = client.Close() // nothing was asked of it
		}
		return
	}
	if err != nil {
		l.down(err)
		return
	}
	l.client, l.proven, l.openedAt = client, false, time.Now()
	l.book.opened()
	if l.pauses.failures == 0 {
		l.up()
	} // else it counts as up when an exchange shows that it stays open
}

// down notes that the line cannot be used and sets when to try again.
func (l *line) down(err error) {
	now := time.Now()
	l.openAt = now.Add(l.pauses.next())
	l.trouble.failed(now, "line down", err.Error())
	l.book.line(false, err.Error(), l.wallMS())
}

// up notes that the line can be used.
func (l *line) up() {
	l.trouble.recovered(time.Now(), "line up again")
	l.book.line(true, lineDetail(l.site), l.wallMS())
}

// close closes the port, if it is open.
func (l *line) close() {
	if l.client != nil {
		_ = l.client.Close() // whatever it says, the port is not used again
		l.client = nil
	}
}

// reopen closes the port and has it opened at once.
func (l *line) reopen() {
	l.close()
	l.openAt = time.Now()
}

func (l *line) wallMS() int64 {
	_, wall := l.opts.Clock.Now()
	return wall
}

// serve makes the scan of a group that is due and hands it on.
func (l *line) serve(ctx context.Context, s *slot) {
	var result scan.Scan
	var err error
	switch now := time.Now(); {
	case l.client == nil:
		result = l.blank(s, scan.PortGone)
	case s.unit.rests(s.due, now):
		result = l.blank(s, s.unit.reason)
	default:
		result, err = l.ask(ctx, s)
		if ctx.Err() != nil {
			return // what was cut short by ourselves is no failure of the device
		}
	}
	l.tell(s, &result, err)
	if result.Reason == scan.Good {
		s.good()
	} else if !s.worthOffering(time.Now(), result.Reason) {
		return
	}
	l.sink.Offer(result)
}

// blank makes a scan without values for a group that was not asked for.
func (l *line) blank(s *slot, reason scan.Reason) scan.Scan {
	mono, wall := l.opts.Clock.Now()
	return scan.Scan{Group: s.poller.group, MonoMS: mono, WallMS: wall, Reason: reason}
}

// ask reads a group. A connection that had answered before and is lost is
// opened again at once and the group asked for once more: servers close idle
// connections.
func (l *line) ask(ctx context.Context, s *slot) (scan.Scan, error) {
	for {
		wasProven := l.proven // false for what was just opened: one more try at most
		w := wire{line: l, unit: s.unit, timeout: s.unit.timeout(l.book.slowest(s.unit.index))}
		result := s.poller.Poll(ctx, &w, l.opts.Clock)
		if ctx.Err() != nil {
			return result, w.err
		}
		if !w.lost {
			l.settle(&w, result.Reason)
			return result, w.err
		}
		l.close()
		if !wasProven {
			l.down(w.err)
			return result, w.err
		}
		if l.open(ctx); l.client == nil {
			return result, w.err
		}
	}
}

// settle draws the conclusions of an exchange that did not lose the line.
func (l *line) settle(w *wire, reason scan.Reason) {
	if l.pauses.failures > 0 {
		l.pauses.reset()
		l.up()
	}
	now := time.Now()
	if w.heard {
		w.unit.heard()
	} else {
		w.unit.unheard(now, w.timeout, reason)
	}
	// A TCP client is spent after a timeout, lest the late answer meet the next
	// question; that is no failure of the line.
	if l.client.Err() != nil || l.allSilent() && now.Sub(l.openedAt) >= reopenAfter {
		l.reopen()
	}
}

// allSilent reports whether every unit of the line has been given up.
func (l *line) allSilent() bool {
	for _, u := range l.units {
		if u.silent < silentRounds {
			return false
		}
	}
	return true
}

// tell writes a scan's outcome into log and book.
func (l *line) tell(s *slot, result *scan.Scan, err error) {
	u, now := s.unit, time.Now()
	detail := ""
	switch {
	case result.Reason == scan.Good:
		u.trouble.recovered(now, "device answers again")
		detail = partly(result)
	case result.Reason == scan.PortGone: // the line's own log has it
		detail = mend(l.site, u.device, result.Reason, err)
	default:
		if err != nil {
			u.detail = mend(l.site, u.device, result.Reason, err)
		}
		detail = u.detail
		u.trouble.failed(now, "device gives no values", detail)
	}
	l.book.scanned(u.index, result, detail)
}

// wire is the Reader of one exchange with one device.
type wire struct {
	line    *line
	unit    *unit
	timeout time.Duration

	err   error // the last
	heard bool  // the device answered something
	lost  bool  // the line was lost
}

// Read implements Reader.
func (w *wire) Read(ctx context.Context, unitID byte, req frame.ReadRequest) ([]byte, error) {
	start := time.Now()
	payload, err := w.line.client.Read(ctx, unitID, req, w.timeout)
	switch reasonOf(ctx, err) {
	case scan.Good, scan.Exception:
		w.heard = true
		w.line.proven = true
		w.line.book.trip(w.unit.index, time.Since(start))
	case scan.BadChecksum:
		w.heard = true
		w.line.book.damaged(w.unit.index)
	case scan.PortGone:
		w.lost = true
	}
	if err != nil {
		w.err = err
	}
	return payload, err
}
