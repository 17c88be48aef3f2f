package service

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"strconv"
	"strings"
	"time"
)

// Systemd is the service manager of most Linux systems. Its fields are seams: the paths of
// plans and of the system's own files are below Root.
type Systemd struct {
	Root    string // empty: the system's own
	Out     io.Writer
	User    int                                                                       // of this process
	Run     func(ctx context.Context, program string, args ...string) (string, error) // standard output
	Account func() (account, bool)                                                    // the service's user, if it is there
	Group   func(name string) (id int, ok bool)
	Own     func(dir *os.Root, name string, user, group int) error // gives a file away, not what a link leads to
	Listen  func(address string) error                             // whether an address is free
	// Patience is how long a start is waited for; 0: startPatience.
	Patience time.Duration
	Self     string // this program's file
}

// account is a user with its own group.
type account struct{ user, group int }

// Files of the system.
const (
	unitFolder     = "/etc/systemd/system"
	sysusersFile   = "/etc/sysusers.d/loadscribe.conf"
	polkitFolder   = "/etc/polkit-1/rules.d"
	programPlace   = "/usr/local/bin/loadscribe"
	systemdRunning = "/run/systemd/system" // sd_booted(3)
)

// ThisSystem is this computer's service manager.
func ThisSystem(out io.Writer) (System, error) {
	self, err := os.Executable()
	if err != nil {
		return nil, fmt.Errorf("find this program's file: %w", err)
	}
	if self, err = filepath.EvalSymlinks(self); err != nil {
		return nil, fmt.Errorf("find this program's file: %w", err)
	}
	return &Systemd{Out: out, User: os.Geteuid(), Run: runProgram, Account: lookAccount, Group: lookGroup, Own: (*os.Root).Lchown, Listen: tryListen, Self: self}, nil
}

// ProgramPlace is where the service's binary is: here, if only root can change it and
// the unit sees it, else a copy that Install makes.
func ProgramPlace() string {
	self, err := os.Executable()
	if err == nil {
		self, err = filepath.EvalSymlinks(self)
	}
	if err == nil && (under(self, "/usr") || under(self, "/opt")) && rootsAlone(self) {
		return self
	}
	return programPlace
}

// rootsAlone reports whether only root can change a file and the folders it is in.
func rootsAlone(path string) bool {
	for {
		info, err := os.Lstat(path)
		if err != nil || info.Mode().Perm()&0o022 != 0 || ownerOf(info) != 0 {
			return false
		}
		if path == "/" {
			return true
		}
		path = filepath.Dir(path)
	}
}

// runProgram starts one of systemd's programs and waits for it.
func runProgram(ctx context.Context, program string, args ...string) (string, error) {
	cmd := exec.CommandContext(ctx, program, args...)
	var out, complaint bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &complaint
	cmd.Env = append(os.Environ(), "LC_ALL=C", "SYSTEMD_PAGER=", "SYSTEMD_COLORS=0")
	err := cmd.Run()
	if err != nil {
		err = fmt.Errorf("%s %s: %w: %s", program, strings.Join(args, " "), err, strings.TrimSpace(complaint.String()))
	}
	return out.String(), err
}

func lookAccount() (account, bool) {
	u, err := user.Lookup(Account)
	if err != nil {
		return account{}, false
	}
	uid, err := strconv.Atoi(u.Uid)
	gid, err2 := strconv.Atoi(u.Gid)
	return account{uid, gid}, err == nil && err2 == nil
}

func lookGroup(name string) (int, bool) {
	g, err := user.LookupGroup(name)
	if err != nil {
		return 0, false
	}
	id, err := strconv.Atoi(g.Gid)
	return id, err == nil
}

func tryListen(address string) error {
	l, err := net.Listen("tcp", address)
	if err != nil {
		return err
	}
	return l.Close()
}

// at is where a path of the system or a plan is.
func (s *Systemd) at(path string) string { return filepath.Join(s.Root, path) }

func (s *Systemd) there(path string) bool {
	_, err := os.Lstat(s.at(path))
	return err == nil
}

func unitName(name string) string { return name + ".service" }

// unitFile is where install writes a unit.
func unitFile(name string) string { return filepath.Join(unitFolder, unitName(name)) }

// packageFolders are where packages put theirs; one that install wrote takes its place (systemd.unit(5)).
var packageFolders = [...]string{"/usr/lib/systemd/system", "/lib/systemd/system"}

// unitInUse is the file that systemd takes a unit from, and whether that is a package's;
// empty: there is none.
func (s *Systemd) unitInUse(name string) (file string, packaged bool) {
	if s.there(unitFile(name)) {
		return unitFile(name), false
	}
	for _, folder := range packageFolders {
		if file := filepath.Join(folder, unitName(name)); s.there(file) {
			return file, true
		}
	}
	return "", false
}

func polkitFile(name string) string { return filepath.Join(polkitFolder, "50-"+name+".rules") }

// ErrNotInstalled is returned where a service is to be started, stopped or removed that
// loadscribe has not installed.
var ErrNotInstalled = errors.New("no such service is installed")

// installed refuses names of services that are none of ours: remove must not take away
// another program's.
func (s *Systemd) installed(name string) error {
	if err := CheckName(name); err != nil {
		return err
	}
	file, _ := s.unitInUse(name)
	if file == "" {
		return fmt.Errorf("%s: %w; loadscribe service install --site FILE makes it", name, ErrNotInstalled)
	}
	text, err := os.ReadFile(s.at(file))
	if err == nil && !strings.Contains(string(text), "\n["+ownSection+"]\n") {
		return Problem{fmt.Sprintf("%s was not made by loadscribe service install", file), "give --name, or look after it with systemctl"}
	}
	return err
}

// packagedReady refuses the start of a package's service that could only fail, or, without
// a site file, would do nothing and say nothing.
func (s *Systemd) packagedReady(name string) error {
	if _, packaged := s.unitInUse(name); !packaged {
		return nil
	}
	site := s.own(name)["Site"]
	info, err := os.Stat(s.at(site))
	if errors.Is(err, fs.ErrNotExist) {
		return Problem{fmt.Sprintf("the site file %s is not there yet", site),
			"make it with the help of a page, sudo loadscribe new --site " + site + ", or write it and its maps"}
	}
	if err != nil {
		return err
	}
	if who, ok := s.Account(); ok && !mayUse(info, who, 0o4) {
		return Problem{fmt.Sprintf("the user %s may not read %s", Account, site), fmt.Sprintf("sudo chgrp %s %s && sudo chmod g+r %s", Account, site, site)}
	}
	return nil
}

func (s *Systemd) needRoot(what string) error {
	if s.User == 0 {
		return nil
	}
	return Problem{what + " needs root", "put sudo before the command"}
}

// Start starts the service and waits until it records.
func (s *Systemd) Start(ctx context.Context, name string) error { return s.control(ctx, "start", name) }

// Stop stops it, until it is started or the computer starts anew.
func (s *Systemd) Stop(ctx context.Context, name string) error { return s.control(ctx, "stop", name) }

func (s *Systemd) control(ctx context.Context, what, name string) error {
	if err := errors.Join(s.needRoot(what), s.installed(name)); err != nil {
		return err
	}
	if what == "start" {
		if err := errors.Join(s.packagedReady(name), s.ownRecord(name)); err != nil {
			return err
		}
	}
	_, err := s.Run(ctx, "systemctl", what, unitName(name))
	return err
}

// Remove stops and disables the service and deletes its unit and rule. The account stays,
// since the data are its own.
func (s *Systemd) Remove(ctx context.Context, name string) error {
	if err := errors.Join(s.needRoot("remove"), s.installed(name)); err != nil {
		return err
	}
	if _, packaged := s.unitInUse(name); packaged {
		return Problem{fmt.Sprintf("the service %s is the package's", name),
			"sudo systemctl disable --now " + name + " stops it for good; sudo apt remove loadscribe takes the package away, and leaves the record"}
	}
	own := s.own(name)
	fmt.Fprintf(s.Out, "Removing the service %s:\n", name)
	steps := []step{
		{say: "stop it, and let it not start with the computer", do: func() error {
			_, err := s.Run(ctx, "systemctl", "disable", "--now", unitName(name))
			return err
		}},
		{say: "delete " + unitFile(name), do: func() error { return os.Remove(s.at(unitFile(name))) }},
	}
	if s.there(polkitFile(name)) {
		steps = append(steps, step{say: "delete " + polkitFile(name), do: func() error { return os.Remove(s.at(polkitFile(name))) }})
	}
	steps = append(steps, step{say: "tell systemd", do: func() error {
		_, err := s.Run(ctx, "systemctl", "daemon-reload")
		return err
	}})
	if err := carryOut(s.Out, steps); err != nil {
		return err
	}
	fmt.Fprintf(s.Out, "Removed. Left alone: the site file %s, the data in %s, the user %s, the program.\n", own["Site"], own["Data"], Account)
	if file, packaged := s.unitInUse(name); packaged {
		fmt.Fprintf(s.Out, "The package's own service %s is there again, and off: sudo systemctl enable %s lets it start with the computer.\n", file, name)
	}
	return nil
}
