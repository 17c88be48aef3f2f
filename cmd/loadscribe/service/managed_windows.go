package service

import (
	"context"
	"fmt"
	"log/slog"
	"os"

	"golang.org/x/sys/windows/svc"
	"golang.org/x/sys/windows/svc/eventlog"
)

// Managed reports whether the service control manager started this process.
func Managed() bool {
	is, err := svc.IsWindowsService()
	return err == nil && is
}

// Serve runs work as the service that this process was started as, and returns its exit
// code. work is given what takes its notes of how it stands, and the system's event log.
func Serve(ctx context.Context, work func(context.Context, Notify, func(slog.Level, string)) int) int {
	h := &handler{ctx: ctx, work: work, code: 1}
	if err := svc.Run("", h); err != nil { // the name of a service of its own process is not looked at
		fmt.Fprintln(os.Stderr, "loadscribe: connect to the service manager:", err)
		return 1
	}
	return h.code
}

type handler struct {
	ctx  context.Context
	work func(context.Context, Notify, func(slog.Level, string)) int
	code int
}

// Execute is svc.Handler's.
func (h *handler) Execute(args []string, requests <-chan svc.ChangeRequest, changes chan<- svc.Status) (bool, uint32) {
	name := DefaultName
	if len(args) > 0 {
		name = args[0]
	}
	write, shut := openEventLog(name)
	defer shut()
	stop, done, gone := make(chan struct{}), make(chan struct{}), make(chan struct{})
	reports := make(chan report)
	go h.relay(requests, changes, reports, stop, done, gone)
	end := serve(h.ctx, stop, func(r report) { reports <- r }, func(ctx context.Context, notify Notify) int {
		return h.work(ctx, notify, write)
	})
	close(done)
	<-gone
	h.code = end.code
	return end.told() != 0, end.told()
}

// relay turns requests into a stop, and reports into what Windows wants to hear.
func (h *handler) relay(requests <-chan svc.ChangeRequest, changes chan<- svc.Status, reports <-chan report, stop, done, gone chan struct{}) {
	defer close(gone)
	now, stopped := statusOf(report{hint: pendingHint}), false
	for {
		select {
		case <-done:
			return
		case r := <-reports:
			now = statusOf(r)
			changes <- now
		case r := <-requests:
			switch r.Cmd {
			case svc.Interrogate:
				changes <- now
			case svc.Stop, svc.Shutdown:
				if !stopped {
					stopped = true
					close(stop)
				}
			}
		}
	}
}

func statusOf(r report) svc.Status {
	s := svc.Status{CheckPoint: r.checkpoint, WaitHint: uint32(r.hint.Milliseconds())}
	switch r.phase {
	case phaseStarting:
		s.State = svc.StartPending
	case phaseRunning:
		s.State, s.Accepts = svc.Running, svc.AcceptStop|svc.AcceptShutdown
	default:
		s.State = svc.StopPending
	}
	return s
}

// eventID is of all entries: eventlog's own message file has texts for 1 to 1000.
const eventID = 1

// openEventLog is the system's event log under the service's name; where it cannot be
// opened nothing is written there, and the log file has it all.
func openEventLog(name string) (write func(slog.Level, string), shut func()) {
	log, err := eventlog.Open(name)
	if err != nil {
		return nil, func() {}
	}
	write = func(level slog.Level, text string) {
		switch { // a full event log loses the entry: there is nobody to tell
		case level >= slog.LevelError:
			_ = log.Error(eventID, text)
		case level >= slog.LevelWarn:
			_ = log.Warning(eventID, text)
		default:
			_ = log.Info(eventID, text)
		}
	}
	return write, func() { _ = log.Close() }
}
