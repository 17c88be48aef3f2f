package service

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"

	"golang.org/x/sys/windows"
	"golang.org/x/sys/windows/svc"
	"golang.org/x/sys/windows/svc/mgr"

	"loadscribe/agent/sitefile"
)

// Status asks the service control manager; it needs no administrator.
func (w *Windows) Status(_ context.Context, name string) (State, error) {
	st := State{Name: name, State: NotInstalled, Restarts: -1}
	if err := CheckName(name); err != nil {
		return st, err
	}
	s, shut, err := openToLook(name)
	if errors.Is(err, windows.ERROR_SERVICE_DOES_NOT_EXIST) {
		return st, nil
	}
	if err != nil {
		return st, fmt.Errorf("ask for the service %s: %w", name, err)
	}
	defer shut()
	config, err := s.Config()
	if err != nil {
		return st, fmt.Errorf("ask for the service %s: %w", name, err)
	}
	is, err := s.Query()
	if err != nil {
		return st, fmt.Errorf("ask for the service %s: %w", name, err)
	}
	st.Installed, st.Enabled = true, config.StartType == mgr.StartAutomatic
	st.State, st.PID = stateWord(is), int(is.ProcessId)
	st.Running = st.State == Running
	if is.State == svc.Stopped && is.Win32ExitCode != 0 {
		st.LastExit = fmt.Sprintf("it ended with code %d", exitCode(is))
	}
	st.Site, st.Definition, st.Log = siteOf(name, config), "services.msc", "the event viewer, Windows Logs, Application, source "+name
	if site, err := sitefile.Load(st.Site, sitefile.Options{}); err == nil {
		st.Data = site.Agent.DataDir
		file := site.Agent.Log
		if file == "" {
			file = filepath.Join(st.Data, windowsLogs, "loadscribe.log")
		}
		st.Log = file + ", and " + st.Log
	}
	return st, nil
}

// exitCode is what a service that has stopped ended with: its own code, or Windows' for it.
func exitCode(is svc.Status) uint32 {
	if is.Win32ExitCode == uint32(windows.ERROR_SERVICE_SPECIFIC_ERROR) {
		return is.ServiceSpecificExitCode
	}
	return is.Win32ExitCode
}

// openToLook opens a service with the rights that everybody has.
func openToLook(name string) (*mgr.Service, func(), error) {
	m, err := windows.OpenSCManager(nil, nil, windows.SC_MANAGER_CONNECT)
	if err != nil {
		return nil, nil, err
	}
	wide, err := windows.UTF16PtrFromString(name)
	if err != nil {
		return nil, nil, errors.Join(err, windows.CloseServiceHandle(m))
	}
	h, err := windows.OpenService(m, wide, windows.SERVICE_QUERY_CONFIG|windows.SERVICE_QUERY_STATUS)
	if err != nil {
		return nil, nil, errors.Join(err, windows.CloseServiceHandle(m))
	}
	return &mgr.Service{Name: name, Handle: h}, func() {
		_ = windows.CloseServiceHandle(h) // of a handle for looking there is nothing to lose
		_ = windows.CloseServiceHandle(m)
	}, nil
}

func stateWord(s svc.Status) string {
	switch s.State {
	case svc.Running:
		return Running
	case svc.StartPending:
		return Starting
	case svc.StopPending:
		return EndingNow
	}
	if s.Win32ExitCode != 0 && s.Win32ExitCode != uint32(windows.ERROR_SERVICE_NEVER_STARTED) {
		return Failed
	}
	return Stopped
}
