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

// checkpointEvery is how often a start or stop that lasts says that it goes on.
const checkpointEvery = 500 * time.Millisecond

// serve runs the program under a service manager that asks for reports: work is given a
// context, which ends once stop is closed, and a Notify, and its exit code is returned.
func serve(ctx context.Context, stop <-chan struct{}, tell func(report), work func(ctx context.Context, notify Notify) int) int {
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
	now := report{phase: phaseStarting, hint: 4 * checkpointEvery}
	tell(now)
	tick := time.NewTicker(checkpointEvery)
	defer tick.Stop()
	for {
		select {
		case code := <-ended:
			return code
		case <-ready:
			if now.phase == phaseStarting {
				now = report{phase: phaseRunning}
				tell(now)
			}
		case <-stop:
			stop = nil
			now = report{phase: phaseStopping, hint: 4 * checkpointEvery}
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
