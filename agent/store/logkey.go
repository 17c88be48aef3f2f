package store

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"

	bolt "go.etcd.io/bbolt"

	"loadscribe/agent/evidence"
)

const (
	keyName = "evidence.key"
	// unreadSuffix is that of a key file that could not be read.
	unreadSuffix = ".unread"
	// KindEvidenceBegan is the kind of event that says that the evidence log
	// began in a store that held readings already.
	KindEvidenceBegan = "evidence_began"
	// KindEvidenceKey is the kind of event that says that another key signs.
	KindEvidenceKey = "evidence_key"
)

// takeKey loads the key that signs checkpoints, or makes one. A disk that does
// not take its file is no reason not to record: the key is in memory then, and
// each seal tries again.
func (s *Store) takeKey() (err error) {
	if s.copied { // a backup leaves the key out: what is sealed in the copy is signed by one of its own
		s.key, err = evidence.NewKey()
		return err
	}
	text, err := s.o.FS.ReadFile(filepath.Join(s.dir, keyName))
	if err == nil {
		s.key, err = evidence.ParseKey(text)
	}
	if err == nil {
		s.keySafe = true
		return nil
	}
	if !errors.Is(err, fs.ErrNotExist) {
		// kept: it may be whole, and the disk or its owner the reason
		name := filepath.Join(s.dir, keyName)
		rerr := s.o.FS.Rename(name, name+unreadSuffix)
		s.log.Error("the key of the evidence log cannot be read and a new one takes its place", "kept as", keyName+unreadSuffix, "error", errors.Join(err, rerr))
	}
	if s.key, err = evidence.NewKey(); err != nil {
		return err
	}
	s.keepKey()
	return nil
}

// keepKey gives the key its file, where the disk takes one: whole and safe
// under its name, or not there.
func (s *Store) keepKey() {
	text, err := s.key.PEM()
	name := filepath.Join(s.dir, keyName)
	if err == nil {
		err = s.writeKey(name+newSuffix, text)
	}
	if err == nil {
		err = s.o.FS.Rename(name+newSuffix, name)
	}
	if err == nil {
		err = s.o.FS.SyncDir(s.dir)
	}
	if err != nil {
		s.log.Warn("the new key of the evidence log is not on disk yet", "error", err)
		return
	}
	s.keySafe = true
}

// writeKey makes a file that only its owner may read, before anything is in it.
func (s *Store) writeKey(name string, text []byte) error {
	if err := removeIfThere(name); err != nil { // left by a power cut
		return err
	}
	f, err := s.o.FS.Create(name)
	if err != nil {
		return err
	}
	if err = os.Chmod(name, 0o600); err == nil {
		_, err = f.Write(text)
	}
	return errors.Join(err, f.Sync(), f.Close())
}

// tellEvidence makes an event of a log that begins in a store that holds
// something, and of a key that is not the one that signed last.
func (s *Store) tellEvidence() error {
	var head *logHead
	var adopts bool
	err := s.view(func(tx *bolt.Tx) (err error) {
		head, err = readLogHead(tx)
		adopts = s.blocks > 0 || metaUint(tx, metaSealedEvent) > 0
		return err
	})
	if err != nil {
		return err
	}
	e := Event{Data: map[string]string{"key": evidence.Fingerprint(s.key.Public())}}
	switch {
	case head == nil && adopts:
		e.Kind = KindEvidenceBegan
		e.Text = "the evidence log begins: what was recorded before is in it as it was found, and nothing is proven of the time before"
	case head != nil && !head.key.Equal(s.key.Public()):
		e.Kind = KindEvidenceKey
		e.Text = "checkpoints are signed by another key from here on: " + keyName + " was missing, was another one or could not be read"
		if s.copied {
			e.Text = "what the journal still had is sealed in this copy by a key of the copy's own: a backup leaves " + keyName + " out"
		}
		e.Data["before"] = evidence.Fingerprint(head.key)
	default:
		return nil
	}
	for i := range s.events { // told by a start that a power cut ended
		if have := &s.events[i]; have.Kind == e.Kind && have.Data["key"] == e.Data["key"] {
			return nil
		}
	}
	s.log.Warn(e.Text)
	s.addEvent(e)
	return nil
}
