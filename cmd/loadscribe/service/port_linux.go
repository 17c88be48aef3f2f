package service

import (
	"bufio"
	"os"
	"os/user"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"

	"golang.org/x/sys/unix"
)

// portFacts are the class of a serial port's device, as /proc/devices names it, and the
// group that may open it; empty where the port is not there, or the group is root's.
func portFacts(port string) (class, group string) {
	real, err := filepath.EvalSymlinks(port)
	if err != nil {
		return "", ""
	}
	info, err := os.Stat(real)
	if err != nil || info.Mode()&os.ModeCharDevice == 0 {
		return "", ""
	}
	stat, ok := info.Sys().(*syscall.Stat_t)
	if !ok {
		return "", ""
	}
	if stat.Gid != 0 && info.Mode().Perm()&0o060 == 0o060 {
		if g, err := user.LookupGroupId(strconv.Itoa(int(stat.Gid))); err == nil {
			group = g.Name
		}
	}
	return deviceClass(unix.Major(stat.Rdev)), group
}

// deviceClass is the name of a major number of character devices.
func deviceClass(major uint32) string {
	f, err := os.Open("/proc/devices")
	if err != nil {
		return ""
	}
	defer f.Close()
	for lines := bufio.NewScanner(f); lines.Scan() && lines.Text() != "Block devices:"; {
		number, name, _ := strings.Cut(strings.TrimSpace(lines.Text()), " ")
		if n, err := strconv.ParseUint(number, 10, 32); err == nil && uint32(n) == major && !strings.Contains(name, "/") {
			return name
		}
	}
	return ""
}
