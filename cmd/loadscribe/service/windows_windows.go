package service

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"strings"
	"time"

	"golang.org/x/sys/windows"
	"golang.org/x/sys/windows/svc"
	"golang.org/x/sys/windows/svc/mgr"
)

// ErrNotInstalled is returned where a service is to be started, stopped or removed that
// loadscribe has not installed.
var ErrNotInstalled = errors.New("no such service is installed")

// controlWait bounds waiting for the service to start or stop: it stops in under 5 s, and
// starts at once unless a record must be repaired.
const controlWait = 60 * time.Second

// Windows is the service control manager. It has never been run: see doc.go.
type Windows struct {
	out  io.Writer
	self string
}

// ThisSystem is this computer's service manager.
func ThisSystem(out io.Writer) (System, error) {
	self, err := os.Executable()
	if err != nil {
		return nil, fmt.Errorf("find this program's file: %w", err)
	}
	return &Windows{out: out, self: self}, nil
}

// ProgramPlace is where the service's binary is: below the folder of programs, which only
// administrators can change.
func ProgramPlace() string {
	folder := programFolder()
	if self, err := os.Executable(); err == nil && below(strings.ToLower(self), strings.ToLower(folder)) {
		return self
	}
	return filepath.Join(folder, "loadscribe", "loadscribe.exe")
}

func programFolder() string {
	folder, err := windows.KnownFolderPath(windows.FOLDERID_ProgramFiles, 0)
	if err != nil {
		return `C:\Program Files`
	}
	return folder
}

func needAdministrator(what string) error {
	if windows.GetCurrentProcessToken().IsElevated() {
		return nil
	}
	return Problem{what + " needs an administrator", `open the console with "Run as administrator"`}
}

// Check looks at everything that would keep the service from running here.
func (w *Windows) Check(ctx context.Context, p *Plan) error {
	if err := needAdministrator("install"); err != nil {
		return err
	}
	errs := []error{p.checkWritten(), p.checkGiven(func(path string) string { return path })}
	for _, dir := range p.Folders {
		if loose(dir) {
			errs = append(errs, Problem{dir + " holds files of the site among other things, all of which the service could read", "move them into a folder of their own, such as C:\\Loadscribe"})
		}
	}
	for _, f := range p.Reads {
		if _, err := os.Stat(f); err != nil {
			errs = append(errs, Problem{fmt.Sprintf("%s cannot be read (%v)", f, err), "mend the path in the site file"})
		}
		if strings.HasPrefix(f, `\\`) {
			errs = append(errs, Problem{f + " is on another computer, where the service's account is nobody", "put the site on a disk of this one"})
		}
	}
	if state, err := w.Status(ctx, p.Name); err != nil || !state.Running {
		if l, err := net.Listen("tcp", p.Listen); err != nil {
			errs = append(errs, Problem{fmt.Sprintf("nothing can listen on %s (%v)", p.Listen, err),
				"stop what does, if it is a loadscribe run of yours, or change [agent] listen in the site file"})
		} else {
			errs = append(errs, l.Close())
		}
	}
	return errors.Join(errs...)
}

// loose reports whether a folder is a whole disk or somebody's home.
func loose(dir string) bool {
	up := filepath.Dir(dir)
	homes, err := windows.KnownFolderPath(windows.FOLDERID_UserProfiles, 0)
	return up == dir || err == nil && strings.EqualFold(up, homes)
}

// Install makes the service or brings it up to date, and starts it.
func (w *Windows) Install(ctx context.Context, p *Plan) error {
	if err := w.Check(ctx, p); err != nil {
		return err
	}
	m, err := mgr.Connect()
	if err != nil {
		return fmt.Errorf("connect to the service manager: %w", err)
	}
	defer m.Disconnect()
	before, err := w.Status(ctx, p.Name)
	if err != nil {
		return err
	}
	verb := "Installing"
	if before.Installed {
		verb = "Updating"
	}
	fmt.Fprintf(w.out, "%s the service %s, which runs %s as %s:\n", verb, p.Name, windowsCommandLine(p.Program, p.windowsRun()...), virtualAccount(p.Name))
	return carryOut(w.out, w.installSteps(ctx, m, p, before))
}

func (w *Windows) installSteps(ctx context.Context, m *mgr.Mgr, p *Plan, before State) []step {
	var steps []step
	if before.Running {
		steps = append(steps, step{say: "stop the one that runs", do: func() error { return w.Stop(ctx, p.Name) },
			undo: func() error { return w.Start(ctx, p.Name) }})
	}
	if !strings.EqualFold(p.Program, w.self) {
		steps = append(steps, copyStep(w.self, p.Program))
	}
	steps = append(steps, w.defineStep(m, p, before), eventSourceStep(p.Name))
	for _, dir := range append([]string{p.Data}, p.Writes...) {
		steps = append(steps, giveStep(dir, p.Name))
	}
	for _, dir := range p.Folders {
		steps = append(steps, letStep(dir, p.Name))
	}
	return append(steps, step{say: "start it, and wait until it records", do: func() error { return w.Start(ctx, p.Name) },
		undo: func() error { return w.Stop(ctx, p.Name) }})
}

// Remove stops the service and takes it away with its source of events.
func (w *Windows) Remove(ctx context.Context, name string) error {
	state, err := w.ours(ctx, "remove", name)
	if err != nil {
		return err
	}
	if err := w.Stop(ctx, name); err != nil {
		return err
	}
	err = withService(name, func(s *mgr.Service) error { return s.Delete() })
	if err = errors.Join(err, removeEventSource(name)); err != nil {
		return err
	}
	fmt.Fprintf(w.out, "Removed. Left alone: the site file %s, the data in %s, the program.\n"+
		"The data is for administrators to read; its folder's properties, tab Security, give it to others.\n", state.Site, state.Data)
	return nil
}

// ours refuses services that loadscribe did not install.
func (w *Windows) ours(ctx context.Context, what, name string) (State, error) {
	if err := needAdministrator(what); err != nil {
		return State{}, err
	}
	state, err := w.Status(ctx, name)
	switch {
	case err != nil:
		return state, err
	case !state.Installed:
		return state, fmt.Errorf("%s: %w; loadscribe service install --site FILE makes it", name, ErrNotInstalled)
	case state.Site == "":
		return state, Problem{"the service " + name + " was not made by loadscribe service install", "give --name, or look after it in services.msc"}
	}
	return state, nil
}

// Start starts the service and waits until it records.
func (w *Windows) Start(ctx context.Context, name string) error {
	if _, err := w.ours(ctx, "start", name); err != nil {
		return err
	}
	return withService(name, func(s *mgr.Service) error {
		if err := s.Start(); err != nil && !errors.Is(err, windows.ERROR_SERVICE_ALREADY_RUNNING) {
			return err
		}
		err := waitFor(ctx, s, svc.Running)
		if is, asked := s.Query(); errors.Is(err, context.DeadlineExceeded) && asked == nil && is.State == svc.StartPending {
			fmt.Fprintf(w.out, "  it has not said within %v that it records; a damaged record may be under repair: loadscribe service status\n", controlWait)
			return nil
		}
		return err
	})
}

// Stop stops it, until it is started or the computer starts anew.
func (w *Windows) Stop(ctx context.Context, name string) error {
	if _, err := w.ours(ctx, "stop", name); err != nil {
		return err
	}
	return withService(name, func(s *mgr.Service) error {
		if _, err := s.Control(svc.Stop); err != nil && !errors.Is(err, windows.ERROR_SERVICE_NOT_ACTIVE) {
			return err
		}
		return waitFor(ctx, s, svc.Stopped)
	})
}

func withService(name string, do func(*mgr.Service) error) error {
	m, err := mgr.Connect()
	if err != nil {
		return fmt.Errorf("connect to the service manager: %w", err)
	}
	defer m.Disconnect()
	s, err := m.OpenService(name)
	if err != nil {
		return fmt.Errorf("open the service %s: %w", name, err)
	}
	defer s.Close()
	if err := do(s); err != nil {
		return fmt.Errorf("service %s: %w", name, err)
	}
	return nil
}

// waitFor waits for a state; a service that stops while it is to run has failed.
func waitFor(ctx context.Context, s *mgr.Service, want svc.State) error {
	ctx, cancel := context.WithTimeout(ctx, controlWait)
	defer cancel()
	tick := time.NewTicker(checkpointEvery)
	defer tick.Stop()
	for {
		is, err := s.Query()
		switch {
		case err != nil || is.State == want:
			return err
		case is.State == svc.Stopped:
			return fmt.Errorf("it ended with code %d; the event log says why", exitCode(is))
		}
		select {
		case <-ctx.Done():
			return fmt.Errorf("not within %v: %w", controlWait, ctx.Err())
		case <-tick.C:
		}
	}
}
