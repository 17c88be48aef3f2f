package store

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"sync"
	"time"

	"github.com/klauspost/compress/zstd"
	bolt "go.etcd.io/bbolt"

	"loadscribe/agent/evidence"
	"loadscribe/agent/scan"
)

// Store is an open data directory. Append is called from one goroutine at a
// time; everything else may be called from any.
//
// Locks are taken in the order backupMu, writeMu, sealMu, commitMu,
// journal.syncMu, mu, journal.mu.
type Store struct {
	dir        string
	o          Options
	log        *slog.Logger
	readOnly   bool
	usedBefore bool     // an agent has run in the directory
	copied     bool     // a copy that is only finished, see finishCopy
	lock       *dirLock // nil when reading only
	db         *bolt.DB
	j          *journal // nil when reading only
	enc        *zstd.Encoder
	dec        *zstd.Decoder
	lists      listCache // pieces decoded before

	stop context.CancelFunc
	done chan struct{} // closed when the sync goroutine has ended
	kick chan struct{} // asks it for a sync before its time

	backupMu sync.Mutex // held while a Backup is open

	writeMu     sync.Mutex // Append, Register and Close, one at a time; fields below
	closed      bool
	blockEnc    blockEncoder
	key         *evidence.Key // signs checkpoints
	keySafe     bool          // it has its file
	pieces      []Piece       // flushed, not yet committed; written with mu held too
	state       []byte        // belongs to them
	retryMS     int64         // mono time before which a failed seal is not tried again
	pauseMS     int64         // how long that was
	fold        bool          // the Summariser is in step with the store
	unset       foldMark      // where the fold stood when this run began with a clock that was not set
	sealTrouble Trouble

	commitMu  sync.Mutex // one write transaction at a time, see update; fields below
	unsettled bool       // the last one may not be on disk
	broken    error      // why nothing more is committed, see write

	// sealMu is held for writing while a seal commits and takes its scans out
	// of memory, for reading while a reader notes what is where.
	sealMu sync.RWMutex

	mu        sync.RWMutex // the fields below
	groups    map[uint32]*groupRecord
	devices   map[string]uint32
	segments  []Segment
	firstOwn  int // first segment of this run
	boot      boot
	segDirty  int            // segments from here on are not in the database
	moves     int            // how often labels were put right
	movedFrom uint64         // first scan whose label was put right after it was summarised; 0: none. Written with writeMu held too
	unsaved   []*groupRecord // of the journal, not in the database
	tail      []scan.Scan    // unsealed, in sequence order; elements never change
	values    int            // in tail
	events    []Event        // unsealed
	last      marks
	sealed    marks
	follow    follower
	blocks    int64
	blockLen  int64
	oldestMS  int64 // of the raw scans
	rawFromMS int64 // see RawFrom
	cellsMS   int64 // start of the first day with cells; 0: none yet
	cleanup   Cleanup
	newestMS  int64
	sealErr   error
	sealing   int64 // mono time since which a seal runs; 0: none does
	failed    failures
	damaged   map[string]bool // blocks whose damage was reported
	dead      bool            // closed, for readers
	yielded   bool            // closed for an agent that starts, see yieldLoop
}

// follower is what Append compares the next scan with.
type follower struct {
	has      bool
	offsetMS int64            // wall − mono of the last scan
	runHour  int64            // the greatest hour of the segment so far
	monoMS   map[uint32]int64 // last scan of each group in this segment
}

func newEncoder() (*zstd.Encoder, error) {
	// Columns are some kilobytes long: a 64 KiB window holds them, and one
	// coder keeps the tables' memory from multiplying.
	return zstd.NewWriter(nil, zstd.WithEncoderConcurrency(1), zstd.WithEncoderLevel(zstd.SpeedBetterCompression),
		zstd.WithWindowSize(64<<10), zstd.WithEncoderCRC(false), zstd.WithLowerEncoderMem(true), zstd.WithZeroFrames(true))
}

func newCoders() (*zstd.Encoder, *zstd.Decoder, error) {
	enc, err := newEncoder()
	if err != nil {
		return nil, nil, err
	}
	dec, err := zstd.NewReader(nil, zstd.WithDecoderConcurrency(2), zstd.WithDecoderLowmem(true),
		zstd.WithDecodeAllCapLimit(true), zstd.WithDecoderMaxMemory(maxEnvelope))
	return enc, dec, err
}

// Sync makes all scans appended so far safe on disk.
func (s *Store) Sync() error {
	if s.readOnly {
		return ErrReadOnly
	}
	return s.j.sync()
}

// DurableSeq is the last sequence number that is safe on disk.
func (s *Store) DurableSeq() uint64 {
	if s.readOnly {
		return s.LastSeq()
	}
	durable, _, _ := s.j.state()
	return durable.scan
}

// LastSeq is the last sequence number given; 0 if there is none.
func (s *Store) LastSeq() uint64 {
	s.mu.RLock()
	defer s.mu.RUnlock()
	return s.last.scan
}

// SealedSeq is the last sequence number that is sealed into the database.
func (s *Store) SealedSeq() uint64 {
	s.mu.RLock()
	defer s.mu.RUnlock()
	return s.sealed.scan
}

// Groups returns every group ever registered, each with its newest metadata,
// ordered by ID.
func (s *Store) Groups() []*scan.Group {
	s.mu.RLock()
	defer s.mu.RUnlock()
	all := make([]*scan.Group, 0, len(s.groups))
	for _, g := range s.groups {
		all = append(all, g.group)
	}
	slices.SortFunc(all, func(a, b *scan.Group) int { return int(a.ID) - int(b.ID) })
	return all
}

// Segments returns the recording segments in order.
func (s *Store) Segments() []Segment {
	s.mu.RLock()
	defer s.mu.RUnlock()
	return slices.Clone(s.segments)
}

// group returns the newest metadata of a group, or nil. mu is held or the
// store is not yet shared.
func (s *Store) group(id uint32) *scan.Group {
	if g := s.groups[id]; g != nil {
		return g.group
	}
	return nil
}

// groupMap is a copy of the newest metadata that can be used without a lock.
func (s *Store) groupMap() map[uint32]*scan.Group {
	m := make(map[uint32]*scan.Group, len(s.groups))
	for id, g := range s.groups {
		m[id] = g.group
	}
	return m
}

// syncLoop syncs the journal at least every SyncEvery.
func (s *Store) syncLoop(ctx context.Context) {
	defer close(s.done)
	tick := time.NewTicker(s.o.SyncEvery)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		case <-s.kick:
		}
		// the journal logs and keeps the error, and the next round tries again
		_ = s.j.sync()
	}
}

// Close seals what is open into shorter blocks, saves the Summariser's state
// and releases the directory. Reads that run come to their end first. Close
// may be called twice.
func (s *Store) Close() error {
	s.writeMu.Lock()
	defer s.writeMu.Unlock()
	if s.closed {
		return nil
	}
	s.closed = true
	s.stop()
	<-s.done
	if s.readOnly {
		s.setDead()
		return s.closeFiles()
	}
	err := s.seal()
	if err != nil {
		err = fmt.Errorf("close store: %w", err)
		if jerr := s.j.sync(); jerr != nil {
			err = errors.Join(err, jerr)
		}
	}
	s.setDead()
	s.mu.RLock()
	rest := len(s.events) + len(s.tail)
	s.mu.RUnlock()
	if err == nil && rest > 0 { // an event came in between
		err = s.j.sync()
	}
	s.j.finish(err == nil && rest == 0)
	return errors.Join(err, s.closeFiles())
}

func (s *Store) setDead() {
	s.mu.Lock()
	s.dead = true
	s.mu.Unlock()
}

func (s *Store) closeFiles() error {
	err := s.db.Close()
	s.dec.Close()
	if cerr := s.enc.Close(); err == nil {
		err = cerr
	}
	if s.lock != nil {
		if lerr := s.lock.release(); err == nil {
			err = lerr
		}
	}
	return err
}

// stamp writes a wall time for people.
func stamp(wallMS int64) string {
	return time.UnixMilli(wallMS).UTC().Format("2006-01-02 15:04:05.000Z")
}
