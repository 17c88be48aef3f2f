package store

import (
	"errors"
	"io/fs"
	"path/filepath"

	bolt "go.etcd.io/bbolt"

	"loadscribe/agent/evidence"
)

const (
	keyName = "evidence.key"
	// KindEvidenceBegan is the kind of event that says that the evidence log
	// began in a store that held readings already.
	KindEvidenceBegan = "evidence_began"
	// KindEvidenceKey is the kind of event that says that another key signs.
	KindEvidenceKey = "evidence_key"
)

// takeKey loads the key that signs checkpoints, or makes one. A disk that does
// not take its file is no reason not to record: the key is in memory then, and
// each seal tries again.
func (s *Store) takeKey() error {
	name := filepath.Join(s.dir, keyName)
	var err error
	if !s.copied { // a backup leaves the key out; what is sealed in the copy is signed by one of its own
		s.key, err = evidence.LoadKey(name)
		if err == nil {
			s.keySafe = true
			return nil
		}
		if !errors.Is(err, fs.ErrNotExist) {
			s.log.Error("the key of the evidence log cannot be read and is replaced by a new one", "error", err)
		}
		s.keepNewKey()
	}
	if s.key == nil {
		s.key, err = evidence.NewKey()
		return err
	}
	return nil
}

// keepNewKey makes a key that has a file, where the disk takes one.
func (s *Store) keepNewKey() {
	k, err := evidence.MakeKey(filepath.Join(s.dir, keyName))
	if err == nil {
		err = (osFS{}).SyncDir(s.dir)
	}
	if err != nil {
		s.log.Warn("the new key of the evidence log is not on disk yet", "error", err)
		return
	}
	s.key, s.keySafe = k, true
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
