package service

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"golang.org/x/sys/windows"
	"golang.org/x/sys/windows/registry"
	"golang.org/x/sys/windows/svc/eventlog"
	"golang.org/x/sys/windows/svc/mgr"
)

const (
	description = "Records air compressors and serves their pages. It only reads from controllers."
	sourcesKey  = `SYSTEM\CurrentControlSet\Services\EventLog\Application\`
)

// config is how the service is defined.
func (p *Plan) config() mgr.Config {
	return mgr.Config{ServiceType: windows.SERVICE_WIN32_OWN_PROCESS, StartType: mgr.StartAutomatic, ErrorControl: mgr.ErrorNormal,
		BinaryPathName: windowsCommandLine(p.Program, p.windowsRun()...), ServiceStartName: virtualAccount(p.Name),
		DisplayName: "loadscribe (" + p.Name + ")", Description: description, SidType: windows.SERVICE_SID_TYPE_UNRESTRICTED, DelayedAutoStart: true}
}

// defineStep makes the service, or changes the one that is there.
func (w *Windows) defineStep(m *mgr.Mgr, p *Plan, before State) step {
	var former mgr.Config
	return step{say: "define it: started with the computer, and again 5 s, 30 s, then 5 min after a failure", do: func() error {
		s, err := m.OpenService(p.Name)
		if err == nil {
			if former, err = s.Config(); err == nil {
				err = s.UpdateConfig(p.config())
			}
		} else {
			s, err = m.CreateService(p.Name, p.Program, p.config())
			if err == nil { // it put the program alone there, in its own quotes
				err = s.UpdateConfig(p.config())
			}
		}
		if err != nil {
			return err
		}
		defer s.Close()
		var actions []mgr.RecoveryAction
		for _, after := range restarts() {
			actions = append(actions, mgr.RecoveryAction{Type: mgr.ServiceRestart, Delay: after})
		}
		return errors.Join(s.SetRecoveryActions(actions, forgetFailuresS), s.SetRecoveryActionsOnNonCrashFailures(true))
	}, undo: func() error {
		s, err := m.OpenService(p.Name)
		if err != nil {
			return nil // it was not made
		}
		defer s.Close()
		if before.Installed {
			return s.UpdateConfig(former)
		}
		return s.Delete()
	}}
}

// eventSourceStep lets the event viewer show what the service writes.
func eventSourceStep(name string) step {
	wasThere := hasEventSource(name)
	return step{say: "let it write to the event log", do: func() error {
		if wasThere {
			return nil
		}
		return eventlog.InstallAsEventCreate(name, eventlog.Error|eventlog.Warning|eventlog.Info)
	}, undo: func() error {
		if wasThere {
			return nil
		}
		return removeEventSource(name)
	}}
}

func hasEventSource(name string) bool {
	k, err := registry.OpenKey(registry.LOCAL_MACHINE, sourcesKey+name, registry.QUERY_VALUE)
	if err != nil {
		return false
	}
	return k.Close() == nil
}

func removeEventSource(name string) error {
	if !hasEventSource(name) {
		return nil
	}
	return eventlog.Remove(name)
}

// giveStep makes a folder the service's and the administrators' alone. Taking back leaves
// the rights: an administrator gets at it either way, and readings may be in it by now.
func giveStep(dir, name string) step {
	return step{say: "give " + dir + " to the service and to administrators alone", do: func() error {
		if err := os.MkdirAll(dir, 0o700); err != nil {
			return err
		}
		sd, err := windows.SecurityDescriptorFromString(dataSDDL(name))
		if err != nil {
			return fmt.Errorf("its rights: %w", err)
		}
		acl, _, err := sd.DACL()
		if err != nil {
			return fmt.Errorf("its rights: %w", err)
		}
		return windows.SetNamedSecurityInfo(dir, windows.SE_FILE_OBJECT,
			windows.DACL_SECURITY_INFORMATION|windows.PROTECTED_DACL_SECURITY_INFORMATION, nil, nil, acl, nil)
	}}
}

// letStep lets the service read what is in a folder, beside who may already. Taking back
// takes that right away again.
func letStep(dir, name string) step {
	change := func(mode windows.ACCESS_MODE) error {
		sid, err := windows.StringToSid(serviceSID(name))
		if err != nil {
			return err
		}
		sd, err := windows.GetNamedSecurityInfo(dir, windows.SE_FILE_OBJECT, windows.DACL_SECURITY_INFORMATION)
		if err != nil {
			return err
		}
		old, _, err := sd.DACL()
		if err != nil {
			return err
		}
		acl, err := windows.ACLFromEntries([]windows.EXPLICIT_ACCESS{{AccessPermissions: windows.GENERIC_READ | windows.GENERIC_EXECUTE, AccessMode: mode,
			Inheritance: windows.SUB_CONTAINERS_AND_OBJECTS_INHERIT,
			Trustee:     windows.TRUSTEE{TrusteeForm: windows.TRUSTEE_IS_SID, TrusteeType: windows.TRUSTEE_IS_UNKNOWN, TrusteeValue: windows.TrusteeValueFromSID(sid)}}}, old)
		if err != nil {
			return err
		}
		return windows.SetNamedSecurityInfo(dir, windows.SE_FILE_OBJECT, windows.DACL_SECURITY_INFORMATION, nil, nil, acl, nil)
	}
	return step{say: "let the service read " + dir, do: func() error { return change(windows.GRANT_ACCESS) },
		undo: func() error { return change(windows.REVOKE_ACCESS) }}
}

// copyStep puts this program where the service has it. A running program's file can be
// neither written nor deleted on Windows, but it can be renamed: another service may
// still run the one of an earlier update.
func copyStep(from, to string) step {
	var old string // empty: nothing was put aside
	begun := false
	return step{say: "copy this program to " + to, do: func() error {
		if err := os.MkdirAll(filepath.Dir(to), 0o755); err != nil {
			return err
		}
		aside, err := freeName(to)
		if err != nil {
			return err
		}
		switch err := os.Rename(to, aside); {
		case err == nil:
			old = aside
		case !errors.Is(err, os.ErrNotExist):
			return err
		}
		begun = true
		return copyFile(from, to)
	}, undo: func() error {
		switch {
		case old != "":
			return os.Rename(old, to)
		case begun:
			if err := os.Remove(to); !errors.Is(err, os.ErrNotExist) {
				return err
			}
		}
		return nil
	}}
}

func copyFile(from, to string) error {
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	defer in.Close()
	out, err := os.OpenFile(to, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o755)
	if err != nil {
		return err
	}
	_, err = io.Copy(out, in)
	return errors.Join(err, out.Sync(), out.Close())
}

// siteOf is what a service's command line says it records; empty where it is none of ours:
// those run under their own account, whatever the program's file is called.
func siteOf(name string, c mgr.Config) string {
	args, err := windows.DecomposeCommandLine(c.BinaryPathName)
	if err != nil || !strings.EqualFold(c.ServiceStartName, virtualAccount(name)) {
		return ""
	}
	if len(args) < 4 || args[1] != "run" || args[2] != "--site" {
		return ""
	}
	return args[3]
}

// virtualAccount is a service's own account.
func virtualAccount(name string) string { return `NT SERVICE\` + name }

// forgetFailuresS is after how many seconds without a failure Windows counts from the first again.
const forgetFailuresS = 24 * 3600
