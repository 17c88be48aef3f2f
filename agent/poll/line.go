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

	life     *life                // what the Poller watches it by
	client   conn                 // nil: not open; a Client, or a TextClient on text lines
	proven   bool                 // the client has answered
	openedAt time.Time            // of client
	openAt   time.Time            // when to try next while client is nil
	taken    bool                 // it is closed because another master is on it
	heard    []overheardConstants // of a line that is only listened to
	pauses   pauses
	trouble  trouble
	last     *unit     // asked last
	spentAt  time.Time // when a request last ended without an answer
}

// run polls until ctx ends.
func (l *line) run(ctx context.Context) {
	start := l.now()
	if l.openAt.Before(start) { // else it rests
		l.openAt = start
	}
	for _, s := range l.slots {
		s.due = start
	}
	defer l.close()
	for {
		s := l.choose()
		wake := s.due
		if now := l.now(); wake.Before(now) {
			wake = now
		}
		opening := l.client == nil && !l.openAt.After(wake)
		if opening {
			wake = l.openAt
		}
		if !l.wait(ctx, wake) {
			return
		}
		if opening {
			l.open(ctx)
			continue // time has passed: another group may be first now
		}
		l.serve(ctx, s)
		l.last = s.unit
		l.book.missed(s.advance(l.now()))
	}
}

// choose returns the slot that is to be served first. After a request without
// an answer whoever else was due by then goes before the next silent device, so
// that neighbours are late by one timeout, not by one for each silent device.
func (l *line) choose() *slot {
	var waiting []*slot
	if !l.spentAt.IsZero() {
		for _, s := range l.slots {
			if s.unit.silent == 0 && !s.due.After(l.spentAt) {
				waiting = append(waiting, s)
			}
		}
	}
	if len(waiting) > 0 {
		return next(waiting, l.last)
	}
	return next(l.slots, l.last)
}

// now is the present, as the line's waits go by it.
func (l *line) now() time.Time {
	if l.opts.Time != nil {
		return l.opts.Time.Now()
	}
	return time.Now()
}

// wait waits until t or the end of ctx; false means that ctx has ended.
func (l *line) wait(ctx context.Context, t time.Time) bool {
	l.life.pulse.Idle()
	defer l.life.pulse.Busy("deciding what to ask next", 0)
	if l.opts.Time != nil {
		return l.opts.Time.Wait(ctx, t)
	}
	return waitUntil(ctx, t)
}

// waitBySystem is wait by the system's time, whatever the line's is.
func (l *line) waitBySystem(ctx context.Context, t time.Time) bool {
	l.life.pulse.Idle()
	defer l.life.pulse.Busy("deciding what to listen for", 0)
	return waitUntil(ctx, t)
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
	l.life.pulse.Busy("opening the port", openLimit)
	client, err := l.dial(limited)
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
	l.life.holds(client)
	clear := l.clear(ctx, client)
	if clear && ctx.Err() != nil { // listening came to its end after ours
		_ = client.Close() // nothing was asked of it
		clear = false
	}
	if !clear {
		l.life.holds(nil)
		return
	}
	l.client, l.proven, l.openedAt = client, false, l.now()
	l.book.attach(client)
	for _, u := range l.units {
		u.verify.forget() // another device may be on the line now
	}
	l.book.opened()
	if l.pauses.failures == 0 {
		l.up()
	} // else it counts as up when an exchange shows that it stays open
}

func (l *line) dial(ctx context.Context) (conn, error) {
	if l.site.Kind == sitefile.Text {
		return l.opts.DialText(ctx, l.site)
	}
	if l.site.Listen {
		return l.opts.Listen(ctx, l.site)
	}
	return l.opts.Dial(ctx, l.site)
}

// down notes that the line cannot be used and sets when to try again.
func (l *line) down(err error) {
	now := l.now()
	l.taken = false
	l.openAt = now.Add(l.pauses.next())
	l.trouble.failed(now, "line down", err.Error())
	l.book.line(false, err.Error(), l.wallMS())
}

// up notes that the line can be used.
func (l *line) up() {
	l.trouble.recovered(l.now(), "line up again")
	l.book.line(true, lineDetail(l.site), l.wallMS())
}

// close closes the port, if it is open.
func (l *line) close() {
	if l.client != nil {
		l.life.pulse.Busy(closingPort, closeLimit)
		_ = l.client.Close() // whatever it says, the port is not used again
		l.life.holds(nil)
		l.client = nil
		l.book.attach(nil)
	}
}

// reopen closes the port and has it opened at once.
func (l *line) reopen() {
	l.close()
	l.openAt = l.now()
}

func (l *line) wallMS() int64 {
	_, wall := l.opts.Clock.Now()
	return wall
}

// serve makes the scan of a group that is due and hands it on.
func (l *line) serve(ctx context.Context, s *slot) {
	var result scan.Scan
	var err error
	switch now := l.now(); {
	case l.client == nil:
		result = l.blank(s, l.whyClosed())
	case s.unit.rests(s.due, now):
		result = l.blank(s, s.unit.reason)
	case s.unit.verify.differs(now):
		result = l.blank(s, scan.StartMismatch)
	default:
		result, err = l.ask(ctx, s)
		if ctx.Err() != nil {
			return // what was cut short by ourselves is no failure of the device
		}
	}
	l.finish(s, result, err)
}

// finish writes a scan's outcome down and hands it on.
func (l *line) finish(s *slot, result scan.Scan, err error) {
	if l.life.abandoned.Load() {
		return // another has taken its place
	}
	l.tell(s, &result, err)
	l.learn(s, &result)
	if result.Reason == scan.Good {
		s.good()
	} else if !s.worthOffering(l.now(), result.Reason) {
		return
	}
	l.sink.Offer(result)
}

// blank makes a scan without values for a group that was not asked for.
func (l *line) blank(s *slot, reason scan.Reason) scan.Scan {
	mono, wall := l.opts.Clock.Now()
	return scan.Scan{Group: s.reader.Group(), MonoMS: mono, WallMS: wall, Reason: reason}
}

// ask reads a group. A connection that had answered before and is lost is
// opened again at once and the group asked for once more: servers close idle
// connections.
func (l *line) ask(ctx context.Context, s *slot) (scan.Scan, error) {
	for again := false; ; again = true {
		wasProven := l.proven // false for what was just opened: one more try at most
		w := wire{line: l, unit: s.unit, timeout: s.unit.timeout(l.book.slowest(s.unit.index)), again: again}
		result := l.poll(ctx, s, &w)
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

// poll reads a group of a device once it is known to be what its map says.
func (l *line) poll(ctx context.Context, s *slot, w *wire) scan.Scan {
	reason, detail := s.unit.verify.check(ctx, w, l.opts.Clock)
	if reason == scan.Good {
		return s.reader.read(ctx, w, l.opts.Clock)
	}
	if detail != "" {
		s.unit.detail, w.err = detail, nil // that a register is refused is in the detail
	}
	return l.blank(s, reason)
}

// learn notes how often the group's registers change.
func (l *line) learn(s *slot, result *scan.Scan) {
	before := s.learnt.n
	s.learnt.see(result)
	if s.learnt.n != before {
		l.book.refreshes(s.unit.index, s.index, s.learnt.everyMS(s.reader.Group().PeriodMS))
	}
}

// settle draws the conclusions of an exchange that did not lose the line.
func (l *line) settle(w *wire, reason scan.Reason) {
	if l.pauses.failures > 0 {
		l.pauses.reset()
		l.up()
	}
	now := l.now()
	if w.heard {
		w.unit.heard()
	} else {
		w.unit.unheard(now, w.timeout, reason)
		l.spentAt = now
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
	u, now := s.unit, l.now()
	detail := ""
	switch {
	case result.Reason == scan.Good:
		u.trouble.recovered(now, "device answers again")
		if detail = partly(result); l.site.Listen {
			detail = notRead(result)
		}
	case result.Reason == scan.PortGone, result.Reason == scan.LineBusy: // the line's own log has it
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

// onWire is how long the characters of an exchange take, and the rest before
// it; zero over a network.
func (l *line) onWire(dataBytes int) time.Duration {
	if !speaksSerial(l.site) {
		return 0
	}
	return frame.TransmitTime(l.site.Serial.Baud, characters(l.site, dataBytes)) + l.site.Turnaround
}
