//go:build !windows

package store

import (
	"os"
	"os/user"
	"strconv"
	"syscall"

	"golang.org/x/sys/unix"
)

// otherOwner is the account that a data directory belongs to, where an administrator
// is about to write into it; empty: they may.
func otherOwner(dir string) string {
	info, err := os.Stat(dir)
	if err != nil || os.Geteuid() != 0 {
		return ""
	}
	st, ok := info.Sys().(*syscall.Stat_t)
	if !ok || st.Uid == 0 {
		return ""
	}
	if u, err := user.LookupId(strconv.FormatUint(uint64(st.Uid), 10)); err == nil {
		return u.Username
	}
	return "#" + strconv.FormatUint(uint64(st.Uid), 10) // as sudo takes it
}

// lockFile takes a lock without waiting.
func lockFile(f *os.File, exclusive bool) error {
	how := unix.LOCK_SH
	if exclusive {
		how = unix.LOCK_EX
	}
	return unix.Flock(int(f.Fd()), how|unix.LOCK_NB)
}

func unlockFile(f *os.File) error { return unix.Flock(int(f.Fd()), unix.LOCK_UN) }
