package store

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
)

const lockName = "lock"

// dirLock is a held lock on a data directory. The operating system drops it
// when the process ends, however it ends.
type dirLock struct{ f *os.File }

// lockDir takes the directory's lock or returns ErrLocked at once.
func lockDir(dir string) (*dirLock, error) {
	name := filepath.Join(dir, lockName)
	f, err := os.OpenFile(name, os.O_RDWR|os.O_CREATE, 0o644)
	if err != nil {
		return nil, fmt.Errorf("open lock file: %w", err)
	}
	if err := lockFile(f, true); err != nil {
		f.Close()
		return nil, fmt.Errorf("%s: %w: another loadscribe is running on it; stop that one, or use another data directory (%v)", name, ErrLocked, err)
	}
	return &dirLock{f}, nil
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
		return fmt.Errorf("%s: %w by a running loadscribe (%v)", name, ErrLocked, err)
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
