package store

import (
	"errors"
	"io/fs"
	"path/filepath"
)

// Stats returns the store's own figures. It walks the data directory, which
// holds few files.
func (s *Store) Stats() Stats {
	var st Stats
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
	if !s.readOnly {
		var durable marks
		durable, st.WaitingBytes, err = s.j.state()
		st.DurableSeq = durable.scan
		if err != nil {
			st.SyncError = err.Error()
		}
	}
	s.mu.RLock()
	defer s.mu.RUnlock()
	if !s.dead {
		st.FreePages = s.db.Stats().FreePageN
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
	}
	st.Refused = s.refused
	return st
}
