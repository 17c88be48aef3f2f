package service

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
)

// Check looks at everything that would keep the service from running here.
func (s *Systemd) Check(ctx context.Context, p *Plan) error {
	if err := s.needRoot("install"); err != nil {
		return err // without it what follows cannot be seen
	}
	if !s.there(systemdRunning) {
		return Problem{"systemd does not run here", "let what starts your services run: loadscribe run --site " + p.Site}
	}
	if s.there(unitFile(p.Name)) {
		if err := s.installed(p.Name); err != nil {
			return err
		}
	}
	errs := []error{p.CheckPlaces(), p.checkWritten(), p.checkGiven(s.at), s.checkListen(ctx, p)}
	for _, f := range p.Reads {
		if _, err := os.Stat(s.at(f)); err != nil {
			errs = append(errs, Problem{fmt.Sprintf("%s cannot be read (%v)", f, err), "mend the path in the site file"})
			continue
		}
		if err := s.wayTo(f); err != nil {
			errs = append(errs, err)
		}
	}
	return errors.Join(errs...)
}

// lowestPort is the first that an ordinary user may listen on (ip(7), ip_unprivileged_port_start).
const lowestPort = 1024

func (s *Systemd) checkListen(ctx context.Context, p *Plan) error {
	_, port, err := net.SplitHostPort(p.Listen)
	n, err2 := strconv.Atoi(port)
	if err = errors.Join(err, err2); err != nil {
		return Problem{fmt.Sprintf("[agent] listen is %q (%v)", p.Listen, err), `write host and port, like "127.0.0.1:8477"`}
	}
	if n > 0 && n < lowestPort {
		return Problem{fmt.Sprintf("the service's user may not listen on port %d", n),
			"choose one from 1024 on, or put a proxy before it that listens on " + port}
	}
	state, err := s.Status(ctx, p.Name)
	if err == nil && (state.Running || state.State == Restarting) {
		return nil // it is most likely the service itself that has it
	}
	if err := s.Listen(p.Listen); err != nil {
		if errors.Is(err, syscall.EADDRINUSE) {
			return Problem{fmt.Sprintf("another program listens on %s", p.Listen),
				"stop it if it is a loadscribe run of yours, or change [agent] listen in the site file"}
		}
		return Problem{fmt.Sprintf("nothing can listen on %s (%v)", p.Listen, err), "change [agent] listen in the site file"}
	}
	return nil
}

// wayTo checks that the service's user gets through the folders to a file. The
// file and its folder are given to it by Install; in homes the unit mounts the folder,
// so that those above do not count.
func (s *Systemd) wayTo(file string) error {
	if inHome(file) {
		return nil
	}
	who, _ := s.Account()
	for dir := filepath.Dir(filepath.Dir(file)); dir != "/"; dir = filepath.Dir(dir) {
		info, err := os.Stat(s.at(dir))
		if err != nil {
			return Problem{fmt.Sprintf("%s cannot be looked at (%v)", dir, err), "mend the path"}
		}
		if !mayUse(info, who, 0o1) {
			return Problem{fmt.Sprintf("the service's user cannot get through the folder %s to %s", dir, file),
				"allow it (chmod o+x " + dir + "), or move the site to a folder such as /srv/loadscribe"}
		}
	}
	return nil
}

// mayUse reports whether a user has the wanted rights (4 read, 2 write, 1 search) at a file, by its mode.
func mayUse(info fs.FileInfo, who account, want fs.FileMode) bool {
	stat, ok := info.Sys().(*syscall.Stat_t)
	if !ok {
		return false
	}
	mode := info.Mode().Perm()
	switch {
	case who != account{} && int(stat.Uid) == who.user:
		mode >>= 6
	case who != account{} && int(stat.Gid) == who.group:
		mode >>= 3
	}
	return mode&want == want
}

func ownerOf(info fs.FileInfo) int {
	if stat, ok := info.Sys().(*syscall.Stat_t); ok {
		return int(stat.Uid)
	}
	return -1
}

// systemdVersion is systemd's version here; 0: not known.
func (s *Systemd) systemdVersion(ctx context.Context) int {
	out, err := s.Run(ctx, "systemctl", "--version")
	fields := strings.Fields(out)
	if err != nil || len(fields) < 2 {
		return 0
	}
	n, _ := strconv.Atoi(fields[1]) // 0 where it is none
	return n
}
