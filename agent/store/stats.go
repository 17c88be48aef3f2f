package store

import (
	"errors"
	"io/fs"
	"path/filepath"
)

// Stats returns the store's own figures. It walks the data directory, which
// holds few files.
func (s *Store) Stats() Stats {
	st := s.Present()
	s.measureFiles(&st)
	if st.Trouble == nil {
		st.FreeBytes = s.Free()
	}
	return st
}

// Free is how many bytes of the disk are free, -1 where that is not known. It asks the
// disk, which may hang.
func (s *Store) Free() int64 {
	free, err := s.o.FS.Free(s.dir)
	if err != nil {
		return -1
	}
	return free
}

// Present is Stats for those who ask all the time: without what the files take, and with
// what is free of the disk only where there is Trouble, else -1.
func (s *Store) Present() Stats {
	st := s.Remembered()
	if st.Trouble != nil { // asked with no lock held: a disk that hangs may not answer
		if st.FreeBytes = s.Free(); st.FreeBytes >= 0 && st.FreeBytes < fullBytes {
			st.Trouble = errors.Join(ErrDiskFull, st.Trouble)
		}
	}
	return st
}

// Remembered is Stats for those who may not wait for the disk: without what it must be
// asked for.
func (s *Store) Remembered() Stats {
	st := Stats{FreeBytes: -1}
	var busy int64
	if !s.readOnly {
		var durable marks
		var err error
		durable, st.WaitingBytes, err = s.j.state()
		st.DurableSeq, busy = durable.scan, s.j.busySince()
		if err != nil {
			st.SyncError, st.Trouble = err.Error(), err
		}
	}
	s.noted(&st, busy)
	return st
}

// noted takes what is known without asking the disk. busy is since when a sync runs.
func (s *Store) noted(st *Stats, busy int64) {
	s.mu.RLock()
	defer s.mu.RUnlock()
	if !s.dead {
		free := s.db.Stats()
		st.FreePages, st.FreePageBytes = free.FreePageN, int64(free.FreeAlloc)
	}
	st.Blocks, st.BlockBytes = s.blocks, s.blockLen
	st.LastSeq, st.SealedSeq = s.last.scan, s.sealed.scan
	if s.readOnly {
		st.DurableSeq = st.LastSeq
	}
	if st.LastSeq > 0 {
		st.OldestMS, st.NewestMS = s.oldestMS, s.newestMS
	}
	if s.sealErr != nil {
		st.SealError = s.sealErr.Error()
		if st.Trouble == nil {
			st.Trouble = s.sealErr
		}
	}
	st.StalledMS = s.stalledMS(busy)
	st.Cleanup = s.cleanup
}

// StalledMS is how long a sync or a seal has been waiting for the disk where that is too
// long, else 0. Unlike Stats it asks nothing of the disk.
func (s *Store) StalledMS() int64 {
	if s.readOnly {
		return 0
	}
	busy := s.j.busySince()
	s.mu.RLock()
	defer s.mu.RUnlock()
	return s.stalledMS(busy)
}

// TakesNothing is why the disk did not take what was last written to it; nil
// where it did, or where nothing was.
func (s *Store) TakesNothing() error {
	if !s.readOnly {
		if _, _, err := s.j.state(); err != nil {
			return err
		}
	}
	s.mu.RLock()
	defer s.mu.RUnlock()
	return s.sealErr
}

// measureFiles adds up what the files take.
func (s *Store) measureFiles(st *Stats) {
	err := filepath.WalkDir(s.dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			if errors.Is(err, fs.ErrNotExist) {
				return nil // deleted while we looked
			}
			return err
		}
		info, err := d.Info()
		if err != nil || d.IsDir() {
			return nil
		}
		st.DirectoryBytes += info.Size()
		switch {
		case d.Name() == databaseName:
			st.DatabaseBytes = info.Size()
		case filepath.Base(filepath.Dir(path)) == journalDir:
			st.JournalBytes += info.Size()
		}
		return nil
	})
	if err != nil {
		s.log.Debug("data directory cannot be measured", "error", err)
	}
}

const (
	// fullBytes of free space or less explain a write that failed.
	fullBytes = 1 << 20
	// stallMS is what a sync or seal may take and be nothing to speak of: a
	// slow card takes hundreds of milliseconds.
	stallMS = 3000
)

// stalledMS is how long a sync, begun at busy, or a seal has been running.
// mu is held.
func (s *Store) stalledMS(busy int64) int64 {
	now, _ := s.o.Clock.Now()
	longest := int64(0)
	for _, since := range []int64{busy, s.sealing} {
		if since != 0 && now-since >= stallMS {
			longest = max(longest, now-since)
		}
	}
	return longest
}
