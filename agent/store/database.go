package store

import (
	"errors"
	"fmt"
	"os"
	"runtime/debug"
	"time"

	bolt "go.etcd.io/bbolt"
	bolterr "go.etcd.io/bbolt/errors"
)

const (
	// dbLockWait: bbolt waits this long for a command that reads the stopped
	// store just now, which gives way: see yieldLoop.
	dbLockWait = 10 * time.Second
	// growBytes is the step in which the file grows; bbolt's own is 16 MiB,
	// which is more than a month of readings. A step costs one more sync, at
	// every second seal or so.
	growBytes = 32 << 10
)

func (s *Store) openDatabase(name string, readOnly bool) (*bolt.DB, error) {
	if s.o.tap == nil {
		return openDatabase(name, readOnly)
	}
	return openTapped(name, readOnly, s.o.tap(name))
}

func openDatabase(name string, readOnly bool) (*bolt.DB, error) {
	return openTapped(name, readOnly, nil)
}

// openTapped opens bbolt. Damage comes back as ErrDamaged, never as a panic.
func openTapped(name string, readOnly bool, tap bolt.Logger) (db *bolt.DB, err error) {
	if fileSize(name) == 0 { // bbolt would make it a new database
		return nil, fmt.Errorf("%w: the file is empty", ErrDamaged)
	}
	if fileSize(name) > 0 {
		if err := checkTree(name); err != nil {
			return nil, err
		}
	}
	err = guard(func() error {
		var err error
		// the initial map size stays unset: on Windows the file would grow to it
		db, err = bolt.Open(name, 0o600, &bolt.Options{Timeout: dbLockWait, ReadOnly: readOnly,
			FreelistType: bolt.FreelistMapType, Logger: tap})
		return err
	})
	switch {
	case err == nil:
		db.AllocSize = growBytes
		return db, nil
	case errors.Is(err, bolterr.ErrTimeout):
		return nil, fmt.Errorf("%s: %w: a loadscribe command that reads or copies it has not given way within %v; stop it or wait for it to end", name, ErrLocked, dbLockWait)
	case errors.Is(err, bolterr.ErrInvalid), errors.Is(err, bolterr.ErrChecksum), errors.Is(err, bolterr.ErrVersionMismatch):
		return nil, fmt.Errorf("%w: %v", ErrDamaged, err)
	}
	var path *os.PathError
	if !errors.Is(err, ErrDamaged) && !errors.As(err, &path) && fileSize(name) >= 0 {
		// bbolt says "file size too small" and the like as plain text
		return nil, fmt.Errorf("%w: %v", ErrDamaged, err)
	}
	return nil, err
}

func fileSize(name string) int64 {
	info, err := os.Stat(name)
	if err != nil {
		return -1
	}
	return info.Size()
}

// guard runs fn and turns a panic or a fault on a mapped page into ErrDamaged.
func guard(fn func() error) (err error) {
	old := debug.SetPanicOnFault(true)
	defer debug.SetPanicOnFault(old)
	defer func() {
		if r := recover(); r != nil {
			err = fmt.Errorf("%w: %v", ErrDamaged, r)
		}
	}()
	return fn()
}
