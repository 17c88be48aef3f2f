package store

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"loadscribe/agent/scan"
)

const (
	databaseName = "store.db"
	newSuffix    = ".new"
)

// Open opens the data directory for writing, makes it if it is not there, and
// begins a new recording segment. It returns ErrLocked if an agent runs on it
// and ErrNewer if a newer version wrote it. A damaged database is set aside
// under another name and what can be read of it goes into a new one, with an
// event "data_damaged".
func Open(dir string, o Options) (*Store, error) {
	s, err := newStore(dir, o)
	if err != nil {
		return nil, err
	}
	if err := s.makeDirs(); err != nil {
		return nil, fmt.Errorf("make data directory: %w", err)
	}
	s.usedBefore = wasUsed(dir)
	if s.lock, err = lockDir(dir); err != nil {
		return nil, err
	}
	if err := s.start(); err != nil {
		if s.db != nil {
			err = errors.Join(err, s.db.Close())
		}
		s.dec.Close()
		return nil, errors.Join(fmt.Errorf("open store %s: %w", dir, err), s.lock.release())
	}
	ctx, stop := context.WithCancel(context.Background())
	s.stop, s.done, s.kick = stop, make(chan struct{}), make(chan struct{}, 1)
	go s.syncLoop(ctx)
	return s, nil
}

// OpenReadOnly opens a store that no agent runs on, for reading: what is
// sealed and the journal's tail. It returns ErrLocked while an agent runs and
// ErrNoStore if there is nothing. It changes nothing in the directory.
func OpenReadOnly(dir string, o Options) (*Store, error) {
	s, err := newStore(dir, o)
	if err != nil {
		return nil, err
	}
	s.readOnly = true
	if err := s.startReadOnly(); err != nil {
		if s.db != nil {
			err = errors.Join(err, s.db.Close())
		}
		s.dec.Close()
		return nil, fmt.Errorf("open store %s: %w", dir, err)
	}
	ctx, stop := context.WithCancel(context.Background())
	s.stop, s.done = stop, make(chan struct{})
	go s.yieldLoop(ctx)
	return s, nil
}

// makeDirs makes the data directory and the journal's and makes their names
// safe: what is written into a directory that a power cut takes away is lost.
func (s *Store) makeDirs() error {
	journal := filepath.Join(s.dir, journalDir)
	if _, err := s.o.FS.List(journal); err == nil {
		return nil
	}
	if err := s.o.FS.MkdirAll(journal); err != nil {
		return err
	}
	if err := s.o.FS.SyncDir(s.dir); err != nil {
		return err
	}
	return s.o.FS.SyncDir(filepath.Dir(filepath.Clean(s.dir)))
}

func newStore(dir string, o Options) (*Store, error) {
	s := &Store{dir: dir, o: o.withDefaults(), groups: map[uint32]*groupRecord{}, devices: map[string]uint32{},
		damaged: map[string]bool{}}
	s.log = s.o.Log
	var err error
	if s.enc, s.dec, err = newCoders(); err != nil {
		return nil, fmt.Errorf("open store: %w", err)
	}
	return s, nil
}

func (s *Store) startReadOnly() error {
	name := filepath.Join(s.dir, databaseName)
	if _, err := os.Stat(name); errors.Is(err, os.ErrNotExist) {
		return fmt.Errorf("%w: %s is missing; has the agent run here?", ErrNoStore, name)
	}
	if err := probeLock(s.dir); err != nil {
		return err
	}
	db, err := s.openDatabase(name, true)
	if err == nil {
		s.db = db
		err = guard(func() error { return db.View(s.load) })
	}
	if errors.Is(err, ErrDamaged) {
		return fmt.Errorf("%s: %w; start the agent: it sets the file aside and saves what can be read", name, err)
	}
	if err != nil {
		return fmt.Errorf("%s: %w", name, err)
	}
	rep, err := readJournal(s.o.FS, filepath.Join(s.dir, journalDir), s.groups, s.sealed)
	if err != nil {
		return err
	}
	for i := range rep.damage {
		s.log.Warn("journal is damaged", "loss", rep.damage[i].event().Text)
	}
	return s.takeReplay(rep)
}

func (s *Store) start() error {
	rep, notes, err := s.openFiles()
	if err != nil {
		return err
	}
	// the last run may have ended at a commit whose last sync had failed
	if err := s.settle(); err != nil {
		return fmt.Errorf("sync %s: %w", databaseName, err)
	}
	if err := s.takeReplay(rep); err != nil {
		return err
	}
	s.j = newJournal(&s.o, filepath.Join(s.dir, journalDir), rep, s.sealed)
	if err := s.takeKey(); err != nil {
		return err
	}
	if s.copied {
		if len(notes) > 0 {
			return fmt.Errorf("%w: %s; start the agent, which saves what can be read, then back up", ErrDamaged, notes[0].Text)
		}
		return nil
	}
	s.journalTail()
	if s.o.Import != nil {
		if len(notes) > 0 {
			return fmt.Errorf("%w: %s; start the agent, which saves what can be read, stop it, then try again", ErrDamaged, notes[0].Text)
		}
		return s.startImport()
	}
	if err := s.removeSide(); err != nil {
		return err
	}
	mono, wall := s.o.Clock.Now()
	s.firstOwn = len(s.segments)
	if b, ok := s.o.Clock.(scan.Booted); ok {
		s.boot.id, s.boot.beganMS, s.boot.known = b.Boot()
	}
	s.newSegment(mono, wall, WhyStart)
	if s.ClockSet() {
		s.correctLabels(wall - mono) // of what ran before under this start of the computer
	} else {
		s.addEvent(Event{Kind: "clock_not_set", Text: fmt.Sprintf("this computer's clock says %s, which cannot be: times are wrong until it is set", stamp(wall))})
	}
	if err := s.tell(notes); err != nil {
		return err
	}
	if err := s.tellEvidence(); err != nil {
		return err
	}
	// A disk that takes nothing just now is no reason not to record: the
	// summaries come later, the journal says so and tries again, and scans wait
	// in memory.
	if err := s.startFold(); err != nil {
		s.troubled(fmt.Errorf("make summaries: %w", err))
	}
	s.markUnset()
	_ = s.j.sync()
	return nil
}

// journalTail adds to the journal what it has not got: all that is not sealed.
// mu is held or the store not shared.
func (s *Store) journalTail() {
	bySegment := map[uint32]*Segment{}
	for i := range s.segments {
		bySegment[s.segments[i].Number] = &s.segments[i]
	}
	for i := s.segDirty; i < len(s.segments); i++ {
		s.j.addSegment(&s.segments[i])
	}
	for i := range s.tail {
		sc := &s.tail[i]
		s.j.addScan(sc, s.groups[sc.Group.ID], bySegment[sc.Segment])
	}
	for i := range s.events {
		s.j.addEvent(&s.events[i])
	}
}

// wasUsed tells that an agent has run in a directory: it leaves its key. The lock
// is no sign, for whoever is killed before the database is there leaves it too; nor
// is the key beside a copy that did not get to take the store's place.
func wasUsed(dir string) bool {
	if _, err := os.Stat(filepath.Join(dir, sideDir)); err == nil {
		return false
	}
	for _, name := range []string{keyName, "agent.json"} {
		if fileSize(filepath.Join(dir, name)) >= 0 {
			return true
		}
	}
	return false
}

// openFiles opens or makes the database and reads the journal. notes tell of
// damage.
func (s *Store) openFiles() (rep *replayed, notes []Event, err error) {
	name := filepath.Join(s.dir, databaseName)
	journal := filepath.Join(s.dir, journalDir)
	if fileSize(name+newSuffix) >= 0 {
		if err := s.o.FS.Remove(name + newSuffix); err != nil {
			return nil, nil, fmt.Errorf("remove unfinished database: %w", err)
		}
	}
	if fileSize(name) < 0 {
		if err := s.takeBack(name); err != nil {
			return nil, nil, fmt.Errorf("take the damaged database back: %w", err)
		}
	}
	if fileSize(name) < 0 {
		names, err := s.o.FS.List(journal)
		if hasJournal := err == nil && len(names) > 0; hasJournal || s.usedBefore && !s.copied {
			text := "store.db is missing, though this data directory was in use: its record is gone and a new one began"
			if hasJournal {
				text += ", with what the journal still had"
			}
			notes = append(notes, Event{Kind: "data_damaged", Text: text})
		}
		if err := s.createDatabase(name); err != nil {
			return nil, nil, err
		}
	}
	tree, err := checkFile(name, s)
	if err == nil {
		s.db, err = s.openDatabase(name, false)
	}
	if err == nil {
		err = guard(func() error { return s.db.View(s.load) })
	}
	if err == nil {
		rep, err = readJournal(s.o.FS, journal, s.groups, s.sealed)
	}
	if err == nil && tree.head && s.newerInside(name, tree, rep) {
		err = fmt.Errorf("%w: its newest head is not valid, and the other one is older than what it holds", ErrDamaged)
	}
	if errors.Is(err, ErrDamaged) {
		salvaged, serr := s.salvage(name, tree, err)
		if serr != nil {
			return nil, nil, serr
		}
		notes = append(notes, salvaged...)
		rep, err = readJournal(s.o.FS, journal, s.groups, s.sealed)
	}
	if err != nil {
		return nil, nil, fmt.Errorf("%s: %w", name, err)
	}
	for _, l := range mergeLosses(rep.damage) {
		notes = append(notes, l.event())
	}
	return rep, notes, nil
}

// newerInside reports whether a database that was opened by one of its heads,
// since the other one is not valid, holds what the journal has no more. A head
// that a power cut tore is the head of a seal whose scans are in the journal.
func (s *Store) newerInside(name string, tree *fileCheck, rep *replayed) bool {
	if len(rep.scans)+len(rep.events) > 0 && len(rep.damage) == 0 {
		return false // it goes on where the database ends
	}
	f, err := os.Open(name)
	if err != nil {
		return false // it was open a moment ago; the next reading tells
	}
	defer f.Close()
	found, err := s.search(f, tree)
	if err != nil {
		return true
	}
	for _, b := range found.blocks {
		if b.head.lastSeq > s.sealed.scan {
			return true
		}
	}
	for seq := range found.events {
		if seq > s.sealed.event {
			return true
		}
	}
	return false
}

// newSegment begins a recording segment. mu is held or the store not shared.
func (s *Store) newSegment(monoMS, wallMS int64, why string) {
	if s.o.Import != nil {
		why = WhyImport // whatever the reason: it goes when the import is undone
	}
	number := uint32(1)
	for _, seg := range s.segments {
		number = max(number, seg.Number+1)
	}
	seg := Segment{Number: number, StartWallMS: wallMS, StartMonoMS: monoMS, BootID: s.boot.id, Why: why,
		Untrusted: wallMS < earliestMS && why != WhyImport}
	if seg.Untrusted && s.boot.known {
		seg.Booted, seg.BootMS = true, s.boot.beganMS+monoMS
	}
	s.segments = append(s.segments, seg)
	s.follow = follower{monoMS: map[uint32]int64{}}
	s.j.addSegment(&s.segments[len(s.segments)-1])
}
