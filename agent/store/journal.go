package store

import (
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"log/slog"
	"sync"

	"loadscribe/agent/scan"
)

const (
	journalDir   = "journal"
	journalMagic = "LSj1"
	journalHead  = 16 // magic 4, file number 8, CRC-32C 4
	recordHead   = 9  // length 4, CRC-32C 4, type 1
	maxRecord    = 1 << 24

	recSegment = 1
	recGroup   = 2
	recScan    = 3
	recEvent   = 4
)

func journalName(number uint64) string { return fmt.Sprintf("%012d.log", number) }

func appendRecord(b []byte, typ byte, body func([]byte) []byte) []byte {
	start := len(b)
	b = append(b, 0, 0, 0, 0, 0, 0, 0, 0, typ)
	b = body(b)
	binary.LittleEndian.PutUint32(b[start:], uint32(len(b)-start-recordHead))
	binary.LittleEndian.PutUint32(b[start+4:], crc32.Checksum(b[start+8:], castagnoli))
	return b
}

// marks are the last sequence numbers up to some point of the journal.
type marks struct {
	scan, event uint64
}

// journal writes records to files. Records wait in memory until a sync has
// succeeded; after one that failed they are written again to a new file.
type journal struct {
	fs      FS
	dir     string
	log     *slog.Logger
	max     int64        // bytes of a file that are followed by another one
	reserve int64        // bytes left free on the disk
	now     func() int64 // monotonic ms

	// syncMu is held while files are written, synced, made and removed. It is
	// taken before the store's mu, mu here after it.
	syncMu   sync.Mutex
	file     File // nil: the next sync makes a new one
	number   uint64
	size     int64
	acked    bool            // the file holds records that were called safe
	unsafe   []byte          // records taken out of buf, not yet known to be safe
	files    []string        // of the stream that is not sealed, oldest first
	obsolete []string        // to remove once the current file is safe
	stale    []string        // of an earlier run; nothing is called safe while they are there
	aside    map[string]bool // of these, the damaged: kept under another name
	trouble  Trouble

	// mu guards what Append touches.
	mu       sync.Mutex
	buf      []byte // records not yet handed to the file
	waiting  int64  // bytes in buf and unsafe
	last     marks
	preamble []byte // group and segment records since the last restart
	groups   map[uint32]uint32
	segments map[uint32]bool
	durable  marks
	err      error // of the last sync
	busy     int64 // mono time since which a sync runs; 0: none does
}

// newJournal begins a journal behind what an earlier run left in files, of
// which the damaged ones are never deleted. What is not sealed of it is to be
// added again: a sync that failed in that run may have left a file whose
// content is in the system's cache and nowhere else, and no later sync would
// tell. Therefore the old files go, and the going is made safe, before
// anything else of this run is called safe: else two files could tell
// different things under one sequence number.
func newJournal(o *Options, dir string, rep *replayed, sealed marks) *journal {
	j := &journal{fs: o.FS, dir: dir, log: o.Log, max: o.SegmentBytes, reserve: o.ReserveBytes,
		now: func() int64 { mono, _ := o.Clock.Now(); return mono }, number: rep.number, stale: rep.files, aside: map[string]bool{},
		last: sealed, durable: sealed, groups: map[uint32]uint32{}, segments: map[uint32]bool{}}
	for _, name := range rep.damaged {
		j.aside[name] = true
	}
	return j
}

// declare writes a group or segment before the first record that needs it.
// j.mu is held.
func (j *journal) declare(typ byte, body func([]byte) []byte) {
	start := len(j.buf)
	j.buf = appendRecord(j.buf, typ, body)
	j.preamble = append(j.preamble, j.buf[start:]...)
}

func (j *journal) addSegment(seg *Segment) {
	j.mu.Lock()
	defer j.mu.Unlock()
	before := len(j.buf)
	j.segmentLocked(seg)
	j.waiting += int64(len(j.buf) - before)
}

func (j *journal) segmentLocked(seg *Segment) {
	if seg != nil && !j.segments[seg.Number] { // nil: damage took its record

		j.segments[seg.Number] = true
		j.declare(recSegment, func(b []byte) []byte { return appendSegment(b, seg) })
	}
}

// correctSegment writes a segment once more: the later record holds.
func (j *journal) correctSegment(seg *Segment) {
	j.mu.Lock()
	delete(j.segments, seg.Number)
	j.mu.Unlock()
	j.addSegment(seg)
}

// addScan appends a scan record, its group's and segment's before it if need
// be, and returns the number of bytes that wait.
func (j *journal) addScan(s *scan.Scan, g *groupRecord, seg *Segment) int64 {
	j.mu.Lock()
	defer j.mu.Unlock()
	before := len(j.buf)
	j.segmentLocked(seg)
	if j.groups[g.group.ID] != g.version {
		j.groups[g.group.ID] = g.version
		j.declare(recGroup, func(b []byte) []byte { return appendGroup(b, g) })
	}
	j.buf = appendRecord(j.buf, recScan, func(b []byte) []byte { return appendScan(b, s) })
	j.last.scan = s.Seq
	j.waiting += int64(len(j.buf) - before)
	return j.waiting
}

func (j *journal) addEvent(e *Event) {
	j.mu.Lock()
	defer j.mu.Unlock()
	before := len(j.buf)
	j.buf = appendRecord(j.buf, recEvent, func(b []byte) []byte { return appendEvent(b, e) })
	j.last.event = e.Seq
	j.waiting += int64(len(j.buf) - before)
}

// sync makes all records added before the call safe.
func (j *journal) sync() error {
	j.syncMu.Lock()
	defer j.syncMu.Unlock()
	return j.syncLocked()
}

// burstBytes: a buffer that grew beyond it, while the disk took nothing or after a
// start, is given back. Between two syncs there are some kilobytes.
const burstBytes = 256 << 10

func (j *journal) syncLocked() error {
	j.mu.Lock()
	start := len(j.unsafe)
	j.unsafe = append(j.unsafe, j.buf...)
	j.buf = j.buf[:0]
	if cap(j.buf) > burstBytes {
		j.buf = nil // a burst is over
	}
	mark := j.last
	j.busy = j.now()
	j.mu.Unlock()
	defer func() {
		j.mu.Lock()
		j.busy = 0
		j.mu.Unlock()
	}()
	if len(j.unsafe) == 0 && len(j.obsolete) == 0 && len(j.stale) == 0 {
		j.synced(mark, nil)
		return nil
	}
	err := j.writeOut(start)
	if err != nil {
		err = fmt.Errorf("write journal %s: %w", journalName(j.number), err)
	} else {
		j.acked = true // or will be: no reason to remove the file any more
		j.unsafe = j.unsafe[:0]
		if cap(j.unsafe) > burstBytes {
			j.unsafe = nil
		}
		err = j.removeStale()
	}
	if err != nil {
		j.trouble.Failed(j.log, j.now(), "journal cannot be written; scans wait in memory", "error", err)
		j.synced(marks{}, err)
		return err
	}
	j.trouble.Over(j.log, j.now(), "journal can be written again", "file", journalName(j.number))
	j.synced(mark, nil)
	j.removeObsolete()
	if j.size >= j.max {
		j.closeFile()
	}
	return nil
}

// synced notes the outcome of a sync.
func (j *journal) synced(mark marks, err error) {
	j.mu.Lock()
	defer j.mu.Unlock()
	j.err = err
	if err == nil {
		j.waiting = int64(len(j.buf))
		j.durable.scan, j.durable.event = max(j.durable.scan, mark.scan), max(j.durable.event, mark.event)
	}
}

// writeOut brings j.unsafe to the disk: what is new of it, from start, to the
// current file; or if that fails, or there is none, all of it to a new one.
// What a failed sync leaves behind is unknown, so that file is never used
// again.
func (j *journal) writeOut(start int) error {
	if free, err := j.fs.Free(j.dir); err == nil && free < j.reserve+int64(len(j.unsafe)) {
		return fmt.Errorf("%w: %.1f MB free, %.0f MB are left alone", ErrDiskFull, float64(free)/1e6, float64(j.reserve)/1e6)
	} // where it cannot be told, the write itself must show
	if j.file != nil {
		err := j.write(j.unsafe[start:])
		if err == nil {
			return nil
		}
		j.log.Debug("journal sync failed, writing to a new file", "file", journalName(j.number), "error", err)
		j.abandon()
	}
	err := j.create()
	if err == nil {
		err = j.write(j.unsafe)
	}
	if err != nil {
		j.abandon()
	}
	return err
}

func (j *journal) write(b []byte) error {
	if len(b) > 0 {
		n, err := j.file.Write(b)
		j.size += int64(n)
		if err != nil {
			return err
		}
	}
	return j.file.Sync()
}

// restart begins a new stream after a seal: what is sealed needs no journal.
// The files so far go once a new one is safe. syncMu is held, and the caller
// sees to it that no record is added before those that are not sealed have
// been added again.
func (j *journal) restart(sealed marks) {
	j.mu.Lock()
	j.buf, j.preamble, j.waiting = j.buf[:0], nil, 0
	clear(j.groups)
	clear(j.segments)
	j.durable.scan, j.durable.event = max(j.durable.scan, sealed.scan), max(j.durable.event, sealed.event)
	j.mu.Unlock()
	j.unsafe = j.unsafe[:0]
	j.closeFile()
	j.obsolete = append(j.obsolete, j.files...)
	j.files = nil
}

// finish ends the journal of a store that is sealed to its last record: all
// files go. Otherwise it closes what is open.
func (j *journal) finish(sealed bool) {
	j.syncMu.Lock()
	defer j.syncMu.Unlock()
	j.closeFile()
	if sealed {
		j.obsolete = append(append(j.obsolete, j.stale...), j.files...)
		j.files, j.stale = nil, nil
		j.removeObsolete()
	}
}

// state returns what the store shows of the journal.
func (j *journal) state() (durable marks, waiting int64, err error) {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.durable, j.waiting, j.err
}

// busySince is the monotonic time since which a sync runs, 0 while none does.
func (j *journal) busySince() int64 {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.busy
}
