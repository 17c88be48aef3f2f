package store

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
)

// sideDir is the folder, in the data directory, of a copy that is being worked
// on. What a kill leaves of it, the next Open or OpenSide removes.
const sideDir = "import.part"

// Side is a copy of a stopped store beside it, in which an import or its
// undoing is made, so that it can be given up at any moment. Take lets the copy
// take the store's place in one step.
type Side struct {
	dir  string
	o    Options
	lock *dirLock
	made bool // the data directory was not there
}

// OpenSide holds the data directory of a stopped store, as an agent does, and
// copies the store. Where nothing was ever recorded the copy is empty and the
// store opened in it begins anew. It returns ErrLocked while an agent runs.
func OpenSide(dir string, o Options) (*Side, error) {
	x := &Side{dir: dir, o: o.withDefaults()}
	if _, err := os.Stat(dir); errors.Is(err, os.ErrNotExist) {
		x.made = true
	}
	if err := x.o.FS.MkdirAll(dir); err != nil {
		return nil, fmt.Errorf("make data directory: %w", err)
	}
	var err error
	if x.lock, err = lockDir(dir); err != nil {
		return nil, err
	}
	if err := x.fill(); err != nil {
		return nil, errors.Join(fmt.Errorf("copy %s: %w", dir, err), x.Close())
	}
	return x, nil
}

func (x *Side) fill() error {
	if err := os.RemoveAll(x.Dir()); err != nil { // left by a kill
		return err
	}
	if err := os.Mkdir(x.Dir(), 0o700); err != nil {
		return err
	}
	name := filepath.Join(x.dir, databaseName)
	size := fileSize(name)
	if size < 0 {
		if left := x.leftOver(); left != "" {
			return fmt.Errorf("%w: store.db is missing, but %s is there; start the agent, which saves what can be read, or use another data directory", ErrDamaged, left)
		}
		return nil
	}
	s := Store{dir: x.dir, o: x.o}
	if err := s.roomFor(size); err != nil {
		return err
	}
	if err := x.copyKey(); err != nil {
		return err
	}
	return copyStore(x.dir, x.Dir())
}

// copyKey makes the copy's evidence be signed by the store's own key.
func (x *Side) copyKey() error {
	text, err := x.o.FS.ReadFile(filepath.Join(x.dir, keyName))
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	if err == nil {
		err = os.WriteFile(filepath.Join(x.Dir(), keyName), text, 0o600)
	}
	return err
}

// takeKey gives the store the key of the copy, where it had none.
func (x *Side) takeKey() error {
	from, to := filepath.Join(x.Dir(), keyName), filepath.Join(x.dir, keyName)
	if fileSize(to) >= 0 || fileSize(from) < 0 {
		return nil
	}
	if err := x.o.FS.Rename(from, to); err != nil {
		return err
	}
	return x.o.FS.SyncDir(x.dir)
}

// leftOver names what an agent left where there is no database; "" if nothing.
func (x *Side) leftOver() string {
	names, err := osFS{}.List(filepath.Join(x.dir, journalDir))
	if err == nil && len(names) > 0 {
		return journalDir
	}
	if aside, err := filepath.Glob(filepath.Join(x.dir, databaseName+asideMark+"*")); err == nil && len(aside) > 0 {
		return filepath.Base(aside[0])
	}
	return ""
}

// Dir is where the copy lies: a data directory to Open with Options.Import.
func (x *Side) Dir() string { return filepath.Join(x.dir, sideDir) }

// Take lets the copy, closed by now, take the place of the store. After an
// error of it the store is the old one or the new one, whole.
func (x *Side) Take() error {
	to := filepath.Join(x.dir, databaseName)
	if err := x.takeKey(); err != nil {
		return fmt.Errorf("put the new store's key in place: %w", err)
	}
	if err := x.o.FS.Rename(filepath.Join(x.Dir(), databaseName), to); err != nil {
		return fmt.Errorf("put the new store in place: %w", err)
	}
	x.made = false
	if err := x.o.FS.SyncDir(x.dir); err != nil {
		return fmt.Errorf("put the new store in place: %w", err)
	}
	return nil
}

// Close removes what is left of the copy and lets go of the data directory,
// which is as it was unless Take came before.
func (x *Side) Close() error {
	err := os.RemoveAll(x.Dir())
	if x.made {
		err = errors.Join(err, removeIfThere(filepath.Join(x.dir, lockName)))
	}
	err = errors.Join(err, x.lock.release())
	if x.made {
		_ = os.Remove(x.dir) // not empty: somebody else has put something there
	}
	return err
}

// removeSide removes what a killed import left.
func (s *Store) removeSide() error {
	if err := os.RemoveAll(filepath.Join(s.dir, sideDir)); err != nil {
		return fmt.Errorf("remove an unfinished import: %w", err)
	}
	return nil
}
