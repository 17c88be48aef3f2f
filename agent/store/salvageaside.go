package store

import (
	"path/filepath"
	"strings"
	"time"

	bolt "go.etcd.io/bbolt"
)

// asideMark stands between a damaged file's name and the time.
const asideMark = ".damaged-"

// asides are the damaged databases that were set aside, the last one last.
func (s *Store) asides(name string) ([]string, error) {
	all, err := s.o.FS.List(s.dir)
	if err != nil {
		return nil, err
	}
	var out []string
	for _, n := range all {
		if strings.HasPrefix(n, filepath.Base(name)+asideMark) {
			out = append(out, filepath.Join(s.dir, n))
		}
	}
	return out, nil
}

// asideName is a new name for a damaged database. It sorts behind those that
// are there, whatever the clock says.
func (s *Store) asideName(name string) (string, error) {
	aside := name + asideMark + time.Now().UTC().Format("20060102T150405.000Z")
	others, err := s.asides(name)
	if err != nil {
		return "", err
	}
	if n := len(others); n > 0 && others[n-1] >= aside {
		aside = others[n-1] + "b"
	}
	return aside, nil
}

// takeBack gives a database that is missing its name back where a salvage was
// cut between its two renamings: the one set aside last is salvaged anew.
func (s *Store) takeBack(name string) error {
	others, err := s.asides(name)
	if err != nil || len(others) == 0 {
		return err
	}
	aside := others[len(others)-1]
	s.log.Warn("store.db is missing: a salvage was cut short, the damaged file is taken back", "file", aside)
	if err := s.o.FS.Rename(aside, name); err != nil {
		return err
	}
	return s.o.FS.SyncDir(s.dir)
}

// putUntold keeps the events that tell of a salvage until a seal has them: the
// journal may take nothing, or the power go, before they are safe there.
func (s *Store) putUntold(tx *bolt.Tx, events []Event) error {
	var raw []byte
	for i := range events {
		raw = appendEvent(raw, &events[i])
	}
	return tx.Bucket([]byte(bucketMeta)).Put([]byte(metaUntold), wrap(nil, typeUntold, appendList(nil, raw, s.enc)))
}

// untold are those events. They have no numbers yet.
func (s *Store) untold(tx *bolt.Tx) (events []Event) {
	value := tx.Bucket([]byte(bucketMeta)).Get([]byte(metaUntold))
	if value == nil {
		return nil
	}
	body, err := unwrap(value, typeUntold)
	if err == nil {
		err = s.eachInList(body, func(e Event) { events = append(events, e) })
	}
	if err != nil {
		s.log.Error("what the last salvage had to tell cannot be read", "error", err)
	}
	return events
}

// tell makes events of what opening found, but for those told before.
func (s *Store) tell(notes []Event) error {
	var all []Event
	if err := s.view(func(tx *bolt.Tx) error { all = s.untold(tx); return nil }); err != nil {
		return err
	}
	told := map[string]bool{}
	for i := range s.events {
		told[s.events[i].Kind+s.events[i].Text] = true
	}
	for _, n := range append(all, notes...) {
		if told[n.Kind+n.Text] {
			continue
		}
		told[n.Kind+n.Text] = true
		s.log.Error("data is damaged", "loss", n.Text)
		s.addEvent(n)
	}
	return nil
}
