package store

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"os"
	"path/filepath"
	"time"
)

// abandon gives up the current file. One that holds nothing acknowledged is
// removed, so that a disk that stays full does not fill with names.
func (j *journal) abandon() {
	if j.file == nil {
		return
	}
	j.closeFile()
	if !j.acked {
		name := j.files[len(j.files)-1]
		if err := j.fs.Remove(filepath.Join(j.dir, name)); err == nil {
			j.files = j.files[:len(j.files)-1]
		}
	}
}

// closeFile closes a file whose content is either safe already or given up.
func (j *journal) closeFile() {
	if j.file == nil {
		return
	}
	if err := j.file.Close(); err != nil {
		j.log.Warn("close journal file", "file", journalName(j.number), "error", err)
	}
	j.file = nil
}

// create starts the next file: head and preamble.
func (j *journal) create() error {
	j.number++
	j.size, j.acked = 0, false
	name := journalName(j.number)
	f, err := j.fs.Create(filepath.Join(j.dir, name))
	if err != nil {
		return err
	}
	j.file = f
	j.files = append(j.files, name)
	j.mu.Lock()
	b := make([]byte, 0, journalHead+len(j.preamble))
	b = append(appendJournalHead(b, j.number), j.preamble...)
	j.mu.Unlock()
	n, err := f.Write(b)
	j.size += int64(n)
	if err != nil {
		return err
	}
	return j.fs.SyncDir(j.dir)
}

func appendJournalHead(b []byte, number uint64) []byte {
	b = append(b, journalMagic...)
	b = binary.LittleEndian.AppendUint64(b, number)
	return binary.LittleEndian.AppendUint32(b, crc32.Checksum(b, castagnoli))
}

// removeObsolete deletes finished files; those that will not go are tried
// again after the next sync. A file that is left does no harm: what it holds
// is known to be sealed by its sequence numbers.
func (j *journal) removeObsolete() {
	if len(j.obsolete) == 0 {
		return
	}
	var left []string
	for _, name := range j.obsolete {
		if err := j.remove(name); err != nil {
			left = append(left, name)
		}
	}
	j.obsolete = left
	if err := j.fs.SyncDir(j.dir); err != nil {
		j.log.Debug("journal directory not synced; its old files may come back", "error", err)
	}
}

// removeStale deletes what an earlier run left; see newJournal.
func (j *journal) removeStale() error {
	if len(j.stale) == 0 {
		return nil
	}
	for _, name := range j.stale { // again from the first if one fails: what is gone is no error
		if err := j.remove(name); err != nil {
			return fmt.Errorf("remove journal %s of the last run: %w", name, err)
		}
	}
	if err := j.fs.SyncDir(j.dir); err != nil {
		return fmt.Errorf("remove journal of the last run: %w", err)
	}
	j.stale = nil
	return nil
}

func (j *journal) remove(name string) error {
	path := filepath.Join(j.dir, name)
	var err error
	if j.aside[name] {
		err = j.fs.Rename(path, path+".damaged-"+time.Now().UTC().Format("20060102T150405.000Z"))
	} else {
		err = j.fs.Remove(path)
	}
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	return err
}
