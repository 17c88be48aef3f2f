package service

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"time"
)

// startPatience bounds the wait for a first start. One that takes longer repairs a record, or hangs: status says.
const startPatience = 90 * time.Second

// Install checks, then makes or renews the service and starts it.
func (s *Systemd) Install(ctx context.Context, p *Plan) error {
	if err := s.Check(ctx, p); err != nil {
		return err
	}
	whole := *p
	whole.Systemd = s.systemdVersion(ctx)
	whole.Groups = s.knownGroups(p)
	if p.Serial && len(whole.Groups) == 0 {
		fmt.Fprintf(s.Out, "No group is known that may open serial ports. Plug the adapter in and install again, or lines may be refused.\n")
	}
	verb := "Installing"
	if s.there(unitFile(p.Name)) {
		verb = "Updating"
	}
	fmt.Fprintf(s.Out, "%s the service %s, which runs %s run --site %s as the user %s:\n", verb, p.Name, whole.Program, p.Site, Account)
	steps := []step{}
	if whole.Program != s.Self {
		steps = append(steps, s.fileStep(whole.Program, "copy this program to "+whole.Program, 0o755, func() ([]byte, error) { return os.ReadFile(s.Self) }))
	}
	steps = append(steps, s.textStep(sysusersFile, Sysusers), s.accountStep(ctx))
	steps = append(steps, s.ownSteps(&whole)...)
	if s.there(polkitFolder) {
		steps = append(steps, s.textStep(polkitFile(p.Name), PolkitRule))
	} else {
		fmt.Fprintf(s.Out, "  (left out: %s is not there, so that nothing lets the service keep this computer from falling asleep; switch sleep off by hand)\n", polkitFolder)
	}
	steps = append(steps, s.textStep(unitFile(p.Name), whole.Unit()))
	return carryOut(s.Out, append(steps, s.startSteps(ctx, p.Name)...))
}

// knownGroups are those that may open the serial ports and are there: a unit that names
// another is refused.
func (s *Systemd) knownGroups(p *Plan) (known []string) {
	wanted := p.Groups
	if p.Serial {
		wanted = append([]string{"dialout"}, wanted...)
	}
	seen := map[string]bool{}
	for _, g := range wanted {
		if _, ok := s.Group(g); ok && !seen[g] {
			known, seen[g] = append(known, g), true
		}
	}
	return known
}

func (s *Systemd) textStep(path, text string) step {
	return s.fileStep(path, "write "+path, 0o644, func() ([]byte, error) { return []byte(text), nil })
}

// fileStep writes a file whole; taking back brings the former one.
func (s *Systemd) fileStep(path, say string, mode fs.FileMode, content func() ([]byte, error)) step {
	name := s.at(path)
	var former []byte
	wasThere, touched := false, false
	return step{say: say, do: func() error {
		fresh, err := content()
		if err != nil {
			return err
		}
		former, err = os.ReadFile(name)
		wasThere = err == nil
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			return err
		}
		if wasThere && bytes.Equal(former, fresh) {
			return os.Chmod(name, mode)
		}
		if err := os.MkdirAll(filepath.Dir(name), 0o755); err != nil {
			return err
		}
		touched = true
		return replaceFile(name, fresh, mode)
	}, undo: func() error {
		switch {
		case !touched:
			return nil
		case wasThere:
			return replaceFile(name, former, mode)
		}
		err := os.Remove(name)
		if errors.Is(err, fs.ErrNotExist) {
			return nil
		}
		return err
	}}
}

// replaceFile puts a file in another's place in one step: a program that runs goes on as it was.
func replaceFile(name string, content []byte, mode fs.FileMode) error {
	part := name + ".new"
	err := os.WriteFile(part, content, mode)
	if err == nil {
		err = os.Chmod(part, mode) // whatever the umask
	}
	if err == nil {
		err = os.Rename(part, name)
	}
	if err != nil {
		_ = os.Remove(part) // if it is there at all
	}
	return err
}

func (s *Systemd) accountStep(ctx context.Context) step {
	return step{say: "make the user " + Account + ", if it is not there", do: func() error {
		if _, ok := s.Account(); ok {
			return nil
		}
		_, err := s.Run(ctx, "systemd-sysusers", s.at(sysusersFile))
		if errors.Is(err, exec.ErrNotFound) {
			return Problem{"systemd-sysusers is not installed", "make the user by hand: useradd --system --user-group --no-create-home " + Account}
		}
		if err != nil {
			return err
		}
		if _, ok := s.Account(); !ok {
			return Problem{"the user " + Account + " is not there after systemd-sysusers", "make it by hand: useradd --system --user-group --no-create-home " + Account}
		}
		return nil
	}}
}

// startSteps end an installation. When the start fails, a service that ran before is
// started again as it was.
func (s *Systemd) startSteps(ctx context.Context, name string) []step {
	systemctl := func(args ...string) error {
		_, err := s.Run(ctx, "systemctl", args...)
		return err
	}
	before, _ := s.Status(ctx, name) // not installed, where it cannot be asked
	return []step{
		{say: "tell systemd", do: func() error { return systemctl("daemon-reload") }, undo: func() error {
			if before.Installed {
				return errors.Join(systemctl("daemon-reload"), s.restartIf(ctx, before))
			}
			return nil
		}},
		{say: "let it start with the computer", do: func() error { return systemctl("enable", unitName(name)) }, undo: func() error {
			if !before.Enabled {
				return systemctl("disable", unitName(name))
			}
			return nil
		}},
		{say: "start it, and wait until it records", do: func() error { return s.startAndWait(ctx, name) }, undo: func() error {
			return systemctl("stop", unitName(name))
		}},
	}
}

func (s *Systemd) restartIf(ctx context.Context, before State) error {
	if !before.Running {
		return nil
	}
	_, err := s.Run(ctx, "systemctl", "restart", "--no-block", unitName(before.Name))
	return err
}

// startAndWait starts the service and waits for it to say that it is ready.
func (s *Systemd) startAndWait(ctx context.Context, name string) error {
	wait, cancel := context.WithTimeout(ctx, s.startWait())
	defer cancel()
	_, err := s.Run(wait, "systemctl", "restart", unitName(name))
	if err == nil {
		return nil
	}
	is, _ := s.Status(ctx, name) // not known: then it is not starting either
	if errors.Is(wait.Err(), context.DeadlineExceeded) && is.State == Starting {
		fmt.Fprintf(s.Out, "  it has not said within %v that it records; a damaged record may be under repair: loadscribe service status\n", s.startWait())
		return nil
	}
	said, _ := s.Run(ctx, "journalctl", "--unit="+unitName(name), "--lines=5", "--output=cat", "--no-pager") // else it is told without
	if said = strings.TrimSpace(said); said != "" {
		err = fmt.Errorf("%w; its log ends with:\n%s", err, said)
	}
	return fmt.Errorf("%w\n(journalctl -u %s has all of it)", err, name)
}

func (s *Systemd) startWait() time.Duration { return cmp.Or(s.Patience, startPatience) }

// ownSteps give the service what it writes, and let it read what it reads.
func (s *Systemd) ownSteps(p *Plan) []step {
	var steps []step
	for _, dir := range append([]string{p.Data}, p.Writes...) {
		steps = append(steps, s.giveStep(dir))
	}
	for _, path := range append(append([]string{}, p.Folders...), p.Reads...) {
		info, err := os.Stat(s.at(path))
		who, known := s.Account()
		want := fs.FileMode(0o4)
		if err == nil && info.IsDir() {
			want = 0o5
		}
		if err != nil || known && mayUse(info, who, want) || !known && info.Mode().Perm()&want == want {
			continue
		}
		steps = append(steps, s.letStep(path, want))
	}
	return steps
}

// giveStep gives a folder and all in it to the service's user, for nobody else to read.
func (s *Systemd) giveStep(dir string) step {
	var made bool
	var before []owned
	name := s.at(dir)
	return step{say: "give " + dir + " to the user " + Account + " alone", do: func() error {
		who, ok := s.Account()
		if !ok {
			return fmt.Errorf("the user %s is not there", Account)
		}
		_, err := os.Lstat(name)
		made = errors.Is(err, fs.ErrNotExist)
		if err := os.MkdirAll(name, 0o700); err != nil {
			return err
		}
		if before, err = ownedBelow(name); err != nil {
			return err
		}
		all := make([]owned, len(before))
		for i, f := range before {
			f.user, f.group = who.user, who.group
			all[i] = f
		}
		if err := s.setOwners(name, all); err != nil {
			return err
		}
		return os.Chmod(name, 0o700)
	}, undo: func() error {
		if made {
			err := os.Remove(name) // only if it is still empty: readings are never deleted
			if errors.Is(err, fs.ErrNotExist) || errors.Is(err, syscall.ENOTEMPTY) || errors.Is(err, syscall.EEXIST) {
				return nil
			}
			return err
		}
		return s.setOwners(name, before)
	}}
}

// letStep lets the service's group read a file or look into a folder.
func (s *Systemd) letStep(path string, want fs.FileMode) step {
	name := s.at(path)
	folder, base := filepath.Split(name)
	var before []owned
	return step{say: "let the group " + Account + " read " + path, do: func() error {
		who, ok := s.Account()
		if !ok {
			return fmt.Errorf("the user %s is not there", Account)
		}
		info, err := os.Lstat(name)
		if err != nil {
			return err
		}
		was := ownedAs(base, info)
		before = []owned{was}
		was.group, was.mode = who.group, info.Mode().Perm()&^0o070|want<<3
		return s.setOwners(folder, []owned{was})
	}, undo: func() error { return s.setOwners(folder, before) }}
}

// ownRecord gives the record to the service's user again: a command that somebody ran as
// root may have left files in it that the service cannot open.
func (s *Systemd) ownRecord(name string) error {
	data := s.own(name)["Data"]
	who, ok := s.Account()
	if data == "" || !ok {
		return nil
	}
	all, err := ownedBelow(s.at(data))
	if errors.Is(err, fs.ErrNotExist) {
		return nil // the service says so better
	}
	if err != nil {
		return err
	}
	var others []owned
	for _, f := range all {
		if f.user != who.user {
			fmt.Fprintf(s.Out, "giving %s to the user %s\n", filepath.Join(data, f.path), Account)
			f.user, f.group = who.user, who.group
			others = append(others, f)
		}
	}
	return s.setOwners(s.at(data), others)
}
