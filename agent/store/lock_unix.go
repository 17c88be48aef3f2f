//go:build !windows

package store

import (
	"os"

	"golang.org/x/sys/unix"
)

// lockFile takes a lock without waiting.
func lockFile(f *os.File, exclusive bool) error {
	how := unix.LOCK_SH
	if exclusive {
		how = unix.LOCK_EX
	}
	return unix.Flock(int(f.Fd()), how|unix.LOCK_NB)
}

func unlockFile(f *os.File) error { return unix.Flock(int(f.Fd()), unix.LOCK_UN) }
