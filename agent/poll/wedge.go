package poll

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"loadscribe/agent/modbus"
	"loadscribe/agent/pulse"
	"loadscribe/agent/scan"
)

const (
	// StopLimit is how long Run takes at most from the end of its context.
	StopLimit = time.Second
	// closeLimit is more than closing a port takes by its own rules, two seconds for the
	// port's calls and two for its reader.
	closeLimit = 5 * time.Second
	// mostLeft bounds the calls of one line that hang and are left behind. Beyond it the
	// line is not begun anew before one has returned: a driver that never lets go is not
	// mended by asking it ever again, only by another process.
	mostLeft = 8

	// A line that hung and hangs again within calmAfter rests before it is opened anew, from
	// firstRest on and twice as long each time: else a driver that hangs always would fill the
	// events, and come to mostLeft within minutes.
	calmAfter = time.Minute
	firstRest = 15 * time.Second
	lastRest  = 10 * time.Minute

	closingPort = "closing the port"
)

// errHung is why there are no values of a line that was begun anew.
var errHung = errors.New("the line hung and was begun anew")

// Wedge is a line that hung, was left behind and begun anew.
type Wedge struct {
	Line  string
	Doing string        // what it hung in, such as "reading from meter"
	For   time.Duration // how long, of the time that it was watched
	Times uint64        // how often since the Poller began, this one included
	Left  int           // of its calls, how many hang still, this one included
}

// life is what the Poller watches a line by. A line that hangs cannot be ended: it is left
// behind with its life, and another takes its place.
type life struct {
	pulse     pulse.Pulse
	running   *atomic.Int32 // goroutines of the line that have not ended, of earlier lives too
	abandoned atomic.Bool   // nothing that it still does counts
	cancel    context.CancelFunc
	done      chan struct{} // closed when its goroutine has ended

	// Of the watcher alone:
	watched time.Duration // how long, since its rest was over
	rest    time.Duration // how long it waits before it opens the port
	again   bool          // one before it hung

	mu   sync.Mutex // protects port
	port conn       // what is to be closed when it hangs; nil: nothing
}

// holds notes the port that the line has open.
func (f *life) holds(c conn) {
	f.mu.Lock()
	f.port = c
	f.mu.Unlock()
}

// abandon leaves a hanging line behind. Closing its port may free it; a closing that hangs
// itself is not tried twice.
func (f *life) abandon(hangsIn string) {
	f.abandoned.Store(true)
	f.cancel()
	f.mu.Lock()
	port := f.port
	f.mu.Unlock()
	if port == nil || hangsIn == closingPort {
		return
	}
	f.running.Add(1)
	go func() {
		defer f.running.Add(-1)
		_ = port.Close() // whatever it says, nobody uses the port any more
	}()
}

// asks says that a device is asked now.
func (l *line) asks(w *wire) {
	l.life.pulse.Busy(w.unit.reading, modbus.LongestRead(w.timeout, l.site.Turnaround, l.site.Serial.Baud))
}

// start runs a line in a goroutine of its own.
func (l *line) start(ctx context.Context) {
	f := l.life
	ctx, f.cancel = context.WithCancel(ctx)
	f.done = make(chan struct{})
	run := l.run
	switch {
	case l.site.Listen:
		run = l.runPassive
	case l.prints():
		run = l.runPrinted
	}
	f.running.Add(1)
	go func() {
		defer close(f.done)
		defer f.running.Add(-1)
		defer f.pulse.Idle()
		defer f.cancel()
		run(ctx)
	}()
}

// Run polls until ctx ends, one goroutine for each line that has something to
// read, and returns nil when all have stopped and closed their ports. A line that hangs is
// left behind and begun anew; one that hangs at the end is left behind after StopLimit, and
// that is logged. Run may be called once.
func (p *Poller) Run(ctx context.Context) error {
	lines := slices.DeleteFunc(p.current(), func(l *line) bool { return len(l.slots) == 0 })
	for _, l := range lines {
		l.start(ctx)
	}
	pulse.Watch(ctx, func(passed time.Duration) {
		p.pulse.Busy("watching over the lines", 0)
		for i, l := range lines {
			lines[i] = p.look(ctx, l, passed)
		}
	})
	p.pulse.Idle()
	limit := time.NewTimer(StopLimit)
	defer limit.Stop()
	for over := false; len(lines) > 0; lines = lines[1:] {
		l := lines[0]
		if !over {
			select {
			case <-l.life.done:
			case <-limit.C:
				over = true
			}
		}
		select {
		case <-l.life.done:
		default:
			p.log.Error("a line hangs at the stop and is left behind", "line", l.site.Name, "doing", l.life.pulse.Doing())
			l.life.abandon(l.life.pulse.Doing())
		}
	}
	return nil
}

// look begins a line anew if it hangs, and returns the line that counts now.
func (p *Poller) look(ctx context.Context, l *line, passed time.Duration) *line {
	l.life.watched += passed
	hangs, since := l.life.pulse.Look(passed)
	if hangs == "" {
		p.setStuck(l, "")
		return l
	}
	if left := l.life.running.Load(); left >= mostLeft {
		p.setStuck(l, fmt.Sprintf("line %s hangs while %s, and %d of its calls hang already: only a new process can free its port", l.site.Name, hangs, left))
		return l
	}
	n, err := p.renewed(l)
	if err != nil { // it could be made when the Poller was
		p.setStuck(l, fmt.Sprintf("line %s hangs while %s and cannot be begun anew: %v", l.site.Name, hangs, err))
		return l
	}
	p.setStuck(l, "")
	l.life.abandon(hangs)
	n.life.running = l.life.running
	n.book.takeOver(l.book)
	n.restAfter(l.life, since)
	w := Wedge{Line: l.site.Name, Doing: hangs, For: since, Times: n.book.status.Restarted, Left: int(l.life.running.Load())}
	p.log.Error("a line hangs and is begun anew", "line", w.Line, "doing", w.Doing, "for", w.For.Round(time.Second), "times", w.Times, "left", w.Left)
	p.replace(l, n)
	if p.wedged != nil {
		p.wedged(w)
	}
	n.trouble.failed(n.now(), "line down", errHung.Error())
	n.book.line(false, fmt.Sprintf("hung while %s; begun anew", hangs), n.wallMS())
	for _, s := range n.slots {
		n.finish(s, n.blank(s, scan.PortGone), errHung) // the gap has its reason
	}
	n.start(ctx)
	return n
}

// restAfter has a line rest before it opens its port where the life before it had hung
// again soon after it began; it counts as up only once it has answered then.
func (l *line) restAfter(before *life, hung time.Duration) {
	l.life.again = true
	if !before.again || before.watched-hung >= calmAfter {
		return
	}
	rest := firstRest
	if before.rest > 0 {
		rest = min(2*before.rest, lastRest)
	}
	l.life.rest, l.life.watched = rest, -rest
	l.openAt, l.pauses.failures = l.now().Add(rest), 1
}

// current are the lines that count now.
func (p *Poller) current() []*line {
	p.mu.RLock()
	defer p.mu.RUnlock()
	return slices.Clone(p.lines)
}

func (p *Poller) replace(old, by *line) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.lines[slices.Index(p.lines, old)] = by
}

func (p *Poller) setStuck(l *line, why string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if why == "" {
		delete(p.stuck, l.site.Name)
		return
	}
	if p.stuck == nil {
		p.stuck = map[string]string{}
	}
	p.stuck[l.site.Name] = why
}

// Stuck says what of polling only a new process can mend; empty: nothing. It may be called
// at any time from any goroutine.
func (p *Poller) Stuck() string {
	p.mu.RLock()
	defer p.mu.RUnlock()
	return strings.Join(slices.Sorted(maps.Values(p.stuck)), "; ")
}

// Pulse is that of the watch over the lines.
func (p *Poller) Pulse() *pulse.Pulse { return &p.pulse }
