package service

import (
	"context"
	"strings"
	"time"
)

// phase is what a Windows service reports of itself.
type phase int

const (
	phaseStarting phase = iota
	phaseRunning
	phaseStopping
)

// report is one report to the service control manager. A phase that lasts must count its
// checkpoint up within the wait hint, or it is taken for hung.
type report struct {
	phase      phase
	checkpoint uint32
	hint       time.Duration
}

const (
	// checkpointEvery is how often a start or stop that lasts says that it goes on.
	checkpointEvery = 500 * time.Millisecond
	// pendingHint is within what the next checkpoint comes, also where a computer that has
	// just started has no time for this program.
	pendingHint = 10 * time.Second
	// stopLimit is when a stop that hangs is given up, as the systemd unit has it. An orderly
	// one takes less than 5 s.
	stopLimit = stopLimitS * time.Second
)

// ending is how the program ended under its manager.
type ending struct {
	code  int
	asked bool // it was to stop
}

// told is what the manager hears of it: a code other than 0 makes it start the service anew,
// which is wrong after a stop that somebody asked for, however it went. The log has why.
func (e ending) told() (code uint32) {
	if e.asked {
		return 0
	}
	return uint32(e.code)
}

// serve runs the program under a service manager that asks for reports: work is given a
// context, which ends once stop is closed, and a Notify. Work that does not end within
// stopLimit then is left behind.
func serve(ctx context.Context, stop <-chan struct{}, tell func(report), work func(ctx context.Context, notify Notify) int) ending {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	ready, ended := make(chan struct{}, 1), make(chan int, 1)
	notify := func(states ...string) error {
		for _, s := range states {
			if strings.HasPrefix(s, Ready) {
				select {
				case ready <- struct{}{}:
				default: // said already
				}
			}
		}
		return nil
	}
	go func() { ended <- work(ctx, notify) }() // waited for by ended
	now := report{phase: phaseStarting, hint: pendingHint}
	asked, late := false, make(<-chan time.Time)
	tell(now)
	tick := time.NewTicker(checkpointEvery)
	defer tick.Stop()
	for {
		select {
		case code := <-ended:
			return ending{code, asked}
		case <-late:
			return ending{1, asked}
		case <-ready:
			if now.phase == phaseStarting {
				now = report{phase: phaseRunning}
				tell(now)
			}
		case <-stop:
			stop, asked, late = nil, true, time.After(stopLimit)
			now = report{phase: phaseStopping, hint: pendingHint}
			tell(now)
			cancel()
		case <-tick.C:
			if now.phase != phaseRunning {
				now.checkpoint++
				tell(now)
			}
		}
	}
}
