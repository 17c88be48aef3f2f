package store

import (
	"errors"
	"fmt"
	"os"

	bolt "go.etcd.io/bbolt"
)

// errUnsettled: a transaction that failed at its very last sync. bbolt and all
// readers see it as committed, the disk may not have it.
var errUnsettled = errors.New("the last commit may not be on disk")

// update runs a write transaction. bbolt writes pages, syncs, writes the meta
// page that makes them count, syncs. Where that last sync fails it reports an
// error, and yet what it shows from then on is the new state. Doing the same
// again would do it twice, and pages that the state on disk still uses would
// be written over. So the meta page is written once more, until a sync
// succeeds; before that nothing else is written.
func (s *Store) update(fn func(*bolt.Tx) error) error {
	s.commitMu.Lock()
	defer s.commitMu.Unlock()
	if s.unsettled {
		if err := s.settle(); err != nil {
			return fmt.Errorf("%w: %w", errUnsettled, err)
		}
	}
	id := -1
	err := s.fault(false)
	if err == nil {
		err = s.write(func(tx *bolt.Tx) error {
			id = tx.ID()
			if err := fn(tx); err != nil {
				return err
			}
			return sumMeta(tx)
		})
	}
	if err == nil {
		err = s.fault(true)
	}
	if err == nil {
		return nil
	}
	newest := -1
	if verr := s.view(func(tx *bolt.Tx) error { newest = tx.ID(); return nil }); verr != nil || id < 0 || newest < id {
		return err // nothing of it counts
	}
	s.unsettled = true
	if serr := s.settle(); serr != nil {
		return fmt.Errorf("%w: %w", errUnsettled, err)
	}
	return nil
}

// write is bbolt's Update for a file whose pages may fail. Where a damaged page
// makes it panic, Update reads the list of free pages anew; if that is damaged
// too it panics again, with its lock held: the next transaction and Close would
// wait for ever. Here a transaction that panicked is given up without reading
// anything. After a panic in the midst of a commit what bbolt knows of free
// pages may be wrong, and nothing more is written. commitMu is held.
func (s *Store) write(fn func(*bolt.Tx) error) error {
	if s.broken != nil {
		return s.broken
	}
	tx, err := s.db.Begin(true)
	if err != nil {
		return err
	}
	if err := guard(func() error { return fn(tx) }); err != nil {
		return errors.Join(err, guard(tx.Rollback))
	}
	whole := false
	err = guard(func() error {
		err := tx.Commit()
		whole = true
		return err
	})
	if !whole {
		s.broken = errors.Join(err, guard(tx.Rollback))
		return s.broken
	}
	return err
}

func (s *Store) fault(last bool) error {
	if s.o.CommitFault == nil {
		return nil
	}
	return s.o.CommitFault(last)
}

// settle brings the meta page of the newest state to the disk. commitMu is
// held or the store not shared.
func (s *Store) settle() error {
	if err := s.fault(true); err != nil {
		return err
	}
	id := 0
	if err := s.view(func(tx *bolt.Tx) error { id = tx.ID(); return nil }); err != nil {
		return err
	}
	f, err := os.OpenFile(s.db.Path(), os.O_RDWR, 0)
	if err != nil {
		return err
	}
	defer f.Close() // the sync below says whether it is safe
	// meta pages are the first two; states take them in turn
	page := make([]byte, s.db.Info().PageSize)
	at := int64(id%2) * int64(len(page))
	if _, err := f.ReadAt(page, at); err != nil {
		return err
	}
	if _, err := f.WriteAt(page, at); err != nil {
		return err
	}
	if err := f.Sync(); err != nil {
		return err
	}
	s.unsettled = false
	return nil
}
