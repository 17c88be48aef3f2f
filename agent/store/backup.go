package store

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	bolt "go.etcd.io/bbolt"
)

// backupPart is a backup on its way out, in the data directory.
const backupPart = "backup.part"

// ErrBusy: a backup is being made already.
var ErrBusy = errors.New("a backup is being made already")

// Backup is a copy of a whole store as one file, to be read once and closed.
// Put under the name store.db into an empty data directory it is the store
// again, with every scan and event up to Seq.
type Backup struct {
	Size     int64
	Seq      uint64 // last scan in it
	NewestMS int64  // its wall time; 0: no scan
	file     *os.File
	release  func()
}

// Read implements io.Reader.
func (b *Backup) Read(p []byte) (int, error) { return b.file.Read(p) }

// Close removes what the copy took in the data directory.
func (b *Backup) Close() error {
	defer b.release()
	return errors.Join(b.file.Close(), os.Remove(b.file.Name()))
}

// Backup copies the store while it is written to. What is in memory and
// journal is sealed first, so that the database alone is the whole record. The
// copy is made inside the data directory, in one read transaction that lasts as
// long as the disk needs and no longer: whoever reads the Backup may be slow
// without the database growing meanwhile. One at a time, else ErrBusy.
func (s *Store) Backup() (*Backup, error) {
	if s.readOnly {
		return nil, fmt.Errorf("back up: %w", ErrReadOnly)
	}
	if !s.backupMu.TryLock() {
		return nil, fmt.Errorf("back up: %w", ErrBusy)
	}
	b, err := s.backup()
	if err != nil {
		s.backupMu.Unlock()
		return nil, fmt.Errorf("back up %s: %w", s.dir, err)
	}
	b.release = s.backupMu.Unlock
	return b, nil
}

func (s *Store) backup() (*Backup, error) {
	tx, b, err := s.sealedTx()
	if err != nil {
		return nil, err
	}
	err = s.roomFor(tx.Size())
	if err == nil {
		b.file, err = os.OpenFile(filepath.Join(s.dir, backupPart), os.O_RDWR|os.O_CREATE|os.O_TRUNC, 0o600) // over one left by a kill
	}
	if err != nil {
		return nil, errors.Join(err, tx.Rollback())
	}
	err = guard(func() error { b.Size, err = tx.WriteTo(b.file); return err })
	if rerr := tx.Rollback(); err == nil {
		err = rerr
	}
	if err == nil {
		_, err = b.file.Seek(0, io.SeekStart)
	}
	if err != nil {
		return nil, errors.Join(err, b.file.Close(), os.Remove(b.file.Name()))
	}
	return b, nil
}

// sealedTx seals what is open and begins a read transaction that shows all of
// it.
func (s *Store) sealedTx() (*bolt.Tx, *Backup, error) {
	s.writeMu.Lock()
	defer s.writeMu.Unlock()
	if s.closed {
		return nil, nil, ErrClosed
	}
	s.mu.RLock()
	open := len(s.tail)+len(s.events) > 0
	s.mu.RUnlock()
	if open {
		if err := s.seal(); err != nil {
			return nil, nil, err
		}
	}
	s.mu.RLock()
	defer s.mu.RUnlock()
	b := &Backup{Seq: s.sealed.scan}
	if b.Seq > 0 {
		b.NewestMS = s.newestMS
	}
	tx, err := s.db.Begin(false)
	return tx, b, err
}

// roomFor refuses to fill the disk that the readings need.
func (s *Store) roomFor(bytes int64) error {
	const spare = 64 << 20
	free, err := s.o.FS.Free(s.dir)
	if err != nil {
		return nil // not known: the writing itself will tell
	}
	if free < bytes+spare {
		return fmt.Errorf("%s has %d MB free, the copy needs %d MB and %d MB stay for readings: make room there",
			s.dir, free>>20, bytes>>20+1, spare>>20)
	}
	return nil
}

// BackupStopped writes a backup of a store that no agent runs on to the file
// out, as PlaceBackup does, and changes nothing in dir but its lock file. What
// a killed agent left in the journal is sealed in the copy. It returns
// ErrLocked while an agent runs and ErrNoStore where there is nothing.
func BackupStopped(dir, out string, o Options) (info BackupInfo, err error) {
	name := filepath.Join(dir, databaseName)
	if _, err := os.Stat(name); errors.Is(err, os.ErrNotExist) {
		return info, fmt.Errorf("back up: %w: %s is missing; has the agent run here?", ErrNoStore, name)
	}
	lock, err := lockDir(dir)
	if err != nil {
		return info, err
	}
	defer func() { err = errors.Join(err, lock.release()) }()
	work, err := os.MkdirTemp(filepath.Dir(out), ".loadscribe-backup-")
	if err != nil {
		return info, fmt.Errorf("back up: %w; give --out a file in a folder that is there and that this user may write to", err)
	}
	defer func() { err = errors.Join(err, os.RemoveAll(work)) }()
	if err := copyStore(dir, work); err != nil {
		return info, fmt.Errorf("back up %s: %w", dir, err)
	}
	if err := finishCopy(work, o); err != nil {
		return info, fmt.Errorf("back up %s: %w", dir, err)
	}
	return PlaceBackup(filepath.Join(work, databaseName), out)
}

// PlaceBackup gives a backup that is written and synced as part its name, once
// all of it was read, so that it never takes the place of a better one: out is
// there whole or as it was before. It is safe on disk then. On an error part
// is still there.
func PlaceBackup(part, out string) (BackupInfo, error) {
	info, err := CheckBackup(part)
	if err != nil {
		return info, err
	}
	if err := os.Rename(part, out); err != nil {
		return info, fmt.Errorf("back up: %w", err)
	}
	if err := (osFS{}).SyncDir(filepath.Dir(out)); err != nil {
		return info, fmt.Errorf("back up: %w", err)
	}
	return info, nil
}

func copyStore(from, to string) error {
	if err := os.Mkdir(filepath.Join(to, journalDir), 0o700); err != nil {
		return err
	}
	if err := copyFile(filepath.Join(from, databaseName), filepath.Join(to, databaseName)); err != nil {
		return err
	}
	names, err := osFS{}.List(filepath.Join(from, journalDir))
	if err != nil && !errors.Is(err, os.ErrNotExist) { // a restored store has none yet
		return err
	}
	for _, n := range names {
		if err := copyFile(filepath.Join(from, journalDir, n), filepath.Join(to, journalDir, n)); err != nil {
			return err
		}
	}
	return nil
}

func copyFile(from, to string) error {
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	defer in.Close()
	out, err := os.OpenFile(to, os.O_RDWR|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return err
	}
	_, err = io.Copy(out, in)
	return errors.Join(err, out.Sync(), out.Close())
}

// finishCopy seals the journal of a copied store into its database, without a
// new recording segment: nothing is recorded in it.
func finishCopy(dir string, o Options) error {
	o.Summariser, o.FS = nil, nil
	s, err := newStore(dir, o)
	if err != nil {
		return err
	}
	s.copied = true
	if s.lock, err = lockDir(dir); err != nil {
		s.dec.Close()
		return err
	}
	if err := s.start(); err != nil {
		if s.db != nil {
			err = errors.Join(err, s.db.Close())
		}
		s.dec.Close()
		return errors.Join(err, s.lock.release())
	}
	err = nil
	if len(s.tail)+len(s.events) > 0 {
		if err = s.tellEvidence(); err == nil {
			err = s.seal()
		}
	}
	s.j.finish(false)
	if err == nil {
		err = s.db.Sync()
	}
	return errors.Join(err, s.closeFiles())
}

// BackupInfo is what CheckBackup found.
type BackupInfo struct {
	Size     int64
	Seq      uint64 // last scan
	OldestMS int64  // wall times of the oldest and newest scan; 0: none
	NewestMS int64
}

// CheckBackup reads every page and every value of a backup file, each against
// its checksum, and says what is in it. A file that is no whole store is
// ErrDamaged.
func CheckBackup(file string) (info BackupInfo, err error) {
	// a backup has no journal: what lies beside the file is not its
	s, err := newStore(file+".alone", Options{})
	if err != nil {
		return info, err
	}
	defer s.dec.Close()
	db, err := openDatabase(file, true)
	if err == nil {
		err = guard(func() error { return db.View(s.load) })
		err = errors.Join(err, db.Close())
	}
	if err == nil {
		_, err = checkFile(file, s)
	}
	if err != nil {
		return info, fmt.Errorf("check backup %s: %w", file, err)
	}
	return BackupInfo{Size: fileSize(file), Seq: s.sealed.scan, OldestMS: s.oldestMS, NewestMS: s.newestMS}, nil
}
