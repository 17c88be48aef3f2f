package agent

import (
	"context"
	"errors"
	"fmt"
	"time"

	"loadscribe/agent/poll"
)

// StopBudget is what a stop may take in all, from the end of Run's context to its return:
// with half a second for the log and the process it stays below five seconds, whatever
// hangs. By the marks below its parts are left behind; who is done sooner leaves the time
// to who comes next.
const (
	StopBudget = 4500 * time.Millisecond

	pollMark  = poll.StopLimit + 200*time.Millisecond // ports are closed
	loopsMark = pollMark + time.Second                // what was read is with the store, jobs are broken off
	syncMark  = loopsMark + 600*time.Millisecond      // and on the disk
	serveMark = syncMark + ServeShare + 100*time.Millisecond
	// ServeShare is what whoever serves the data may take from the end of its context.
	ServeShare = time.Second
)

// ErrLeftBehind: a part of the agent did not end within StopBudget.
var ErrLeftBehind = errors.New("did not end in time and is left behind")

// stopping is a stop under way.
type stopping struct {
	began time.Time
	scale int // the budgets' factor
	err   error
}

// by runs f in a goroutine and waits for it until mark; what hangs is left behind and named.
func (s *stopping) by(mark time.Duration, name string, f func() error) {
	done := make(chan error, 1)
	go func() { done <- f() }()
	s.await(mark, name, done)
}

func (s *stopping) await(mark time.Duration, name string, done <-chan error) {
	timer := time.NewTimer(time.Until(s.began.Add(time.Duration(s.scale) * mark)))
	defer timer.Stop()
	select {
	case err := <-done:
		s.err = errors.Join(s.err, err)
		return
	case <-timer.C:
	}
	select {
	case err := <-done: // both were there
		s.err = errors.Join(s.err, err)
	default:
		s.err = errors.Join(s.err, fmt.Errorf("stop: %s %w", name, ErrLeftBehind))
	}
}

// part is one of the loops that an agent runs, each in its goroutine.
type part struct {
	name string
	run  func(context.Context) error
	// last: it outlives the end of what Run was given, for it ends when what feeds it
	// has ended.
	last bool
	mark time.Duration // by when it has ended in a stop
}

// running is a part that was started.
type running struct {
	part
	cancel context.CancelFunc
	done   chan error // closed once it has ended
}

// parts are those running: each sends at most one error to failed, which has room
// for all.
type parts struct {
	failed chan error
	all    []running // in the order in which they are to end
	serves *running  // nil: nobody
}

// startParts starts them all. They stop in the order of this list: what feeds before
// what is fed.
func (a *Agent) startParts(ctx context.Context, serve func(ctx context.Context) error) *parts {
	list := []part{{name: "polling", run: a.poller.Run, mark: pollMark}, {name: "backups and retention", run: a.tend},
		{name: "the look at the disk", run: a.watchStore}, {name: "learning levels", run: a.learnLevels},
		{name: "putting times right", run: a.relabel}, {name: "a replay", run: a.replays.tend}, {name: "a report", run: a.reports.tend},
		{name: "the watch over alarms", run: a.watchAlarms}, {name: "the slow watch over alarms", run: a.watchSlowAlarms},
		{name: "the look for the metrics", run: a.lookForMetrics}, {name: "the watch over the loops", run: a.watchTurning}, {name: "giving memory back", run: a.trim},
		{name: "showing readings", run: a.show, last: true}, {name: "keeping readings", run: a.write, last: true},
		{name: "keeping events", run: a.keepEvents, last: true}}
	if a.messages != nil {
		list = append(list, part{name: "handing on alarms", run: a.sendAlarms, last: true}, part{name: "sending messages", run: a.messages.Run, last: true})
	}
	list = append(list, a.sendingParts()...)
	if a.awake != nil {
		list = append(list, part{name: "keeping the computer awake", run: func(ctx context.Context) error { return a.awake.Run(ctx, a.warnOfSleep) }})
	}
	if a.refuge != nil { // backups of it would push out better ones, and levels are learnt of a whole record
		list[1].run = a.leave
		list = append(list[:3], list[4:]...)
	}
	p := &parts{failed: make(chan error, len(list)+1)}
	rest := context.WithoutCancel(ctx)
	for _, one := range list {
		of := ctx
		if one.last {
			of = rest
		}
		if one.mark == 0 {
			one.mark = loopsMark
		}
		p.all = append(p.all, p.start(of, one))
	}
	if serve != nil {
		serves := p.start(rest, part{name: "answering requests", run: serve, mark: serveMark})
		p.serves = &serves
	}
	return p
}

// start runs a part in a goroutine. Its error, or its early end with one, goes to failed.
func (p *parts) start(ctx context.Context, one part) running {
	r := running{part: one, done: make(chan error)}
	ctx, r.cancel = context.WithCancel(ctx)
	go func() {
		defer close(r.done)
		if err := one.run(ctx); err != nil && !errors.Is(err, context.Canceled) {
			p.failed <- err
		}
	}()
	return r
}

// end ends a part.
func (r *running) end(s *stopping) {
	r.cancel()
	s.await(r.mark, r.name, r.done)
}

// stop ends all in order: polling, the last scans to the store and to disk, who serves,
// the store. What hangs is left behind; why says what the stop is for.
func (a *Agent) stop(p *parts, why error) error {
	s := &stopping{began: time.Now(), scale: 1}
	if errors.Is(why, ErrDiskBack) {
		s.scale = 20 // nobody waits for the process to end: another agent goes on in it
	}
	for i := range p.all {
		p.all[i].end(s)
	}
	s.by(syncMark, "saving the last readings", func() error {
		a.kept(a.note(kindStopped, "", "recording stops", nil), "event not kept")
		return a.store.Sync()
	})
	if p.serves != nil {
		p.serves.end(s)
	}
	s.by(StopBudget, "closing the store", a.Close)
	for len(p.failed) > 0 {
		s.err = errors.Join(s.err, <-p.failed)
	}
	return s.err
}
