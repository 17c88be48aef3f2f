package store

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"
)

const lockName = "lock"

// dirLock is a held lock on a data directory. The operating system drops it
// when the process ends, however it ends.
type dirLock struct{ f *os.File }

const (
	// lockWait is how long a lock that is taken is tried again: a command that
	// only looks whether an agent runs holds it for microseconds.
	lockWait  = 500 * time.Millisecond
	lockEvery = 20 * time.Millisecond
)

// lockDir takes the directory's lock, or returns ErrLocked, which says who has
// it, if that is more than a look. The file holds the number of the process.
func lockDir(dir string) (*dirLock, error) {
	if owner := otherOwner(dir); owner != "" {
		if err := probeLock(dir); err != nil { // whoever runs there can be asked, and writes as its own account
			return nil, err
		}
		return nil, fmt.Errorf("%s belongs to %s: what the administrator writes there, %s could not read, and would not record; "+
			"do this as that account: sudo -u %s loadscribe …", dir, owner, owner, owner)
	}
	name := filepath.Join(dir, lockName)
	f, err := os.OpenFile(name, os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, fmt.Errorf("open lock file: %w", err)
	}
	err = lockFile(f, true)
	for end := time.Now().Add(lockWait); err != nil && time.Now().Before(end); err = lockFile(f, true) {
		<-time.After(lockEvery)
	}
	if err != nil {
		who := holder(f)
		f.Close()
		return nil, fmt.Errorf("%s: %w by %s; stop that one, or use another data directory (%v)", dir, ErrLocked, who, err)
	}
	// who reads it wants to know whom to stop; without it all works
	if err := f.Truncate(0); err == nil {
		_, _ = f.WriteAt(fmt.Appendf(nil, "%d\n", os.Getpid()), 0)
	}
	return &dirLock{f}, nil
}

// Hold keeps agents and commands from opening a data directory, which is made
// where there is none, until release is called. It returns ErrLocked while one has
// it.
func Hold(dir string) (release func() error, err error) {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, fmt.Errorf("make the data directory: %w", err)
	}
	l, err := lockDir(dir)
	if err != nil {
		return nil, err
	}
	return l.release, nil
}

// holder names the process that holds the lock, as far as that can be told.
func holder(f *os.File) string {
	if pid, ok := holderPID(f); ok {
		return fmt.Sprintf("another loadscribe, process %d", pid)
	}
	return "another loadscribe"
}

// holderPID reads the number that the last holder wrote; on Windows a locked
// byte cannot be read.
func holderPID(f *os.File) (pid int, ok bool) {
	b := make([]byte, 20)
	n, _ := f.ReadAt(b, 0) // at the end of the file there is an error and all the same a number
	pid, err := strconv.Atoi(strings.TrimSpace(string(b[:n])))
	return pid, err == nil
}

// Holder is the process that holds a data directory, or was the last to; ok is
// false where that cannot be told.
func Holder(dir string) (pid int, ok bool) {
	f, err := os.Open(filepath.Join(dir, lockName))
	if err != nil {
		return 0, false
	}
	defer f.Close()
	return holderPID(f)
}

// probeLock returns ErrLocked if a running agent holds the directory.
func probeLock(dir string) error {
	name := filepath.Join(dir, lockName)
	f, err := os.Open(name)
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("open lock file: %w", err)
	}
	defer f.Close()
	if err := lockFile(f, false); err != nil {
		return fmt.Errorf("%s: %w by %s (%v)", dir, ErrLocked, holder(f), err)
	}
	return unlockFile(f)
}

func (l *dirLock) release() error {
	err := unlockFile(l.f)
	if cerr := l.f.Close(); err == nil {
		err = cerr
	}
	return err
}
