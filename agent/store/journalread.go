package store

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"loadscribe/agent/scan"
)

// replayed is what the journal holds beyond what is sealed.
type replayed struct {
	files    []string
	damaged  []string // of these, those with damage that is no torn tail
	number   uint64   // of the last file
	segments []Segment
	groups   map[uint32]*groupRecord
	scans    []scan.Scan
	events   []Event
	damage   []string // what was lost, one sentence each
}

// replayer reads journal files in order.
type replayer struct {
	out       replayed
	sealed    marks
	lastScan  uint64
	lastEvent uint64
	known     map[uint32]*groupRecord
	lost      string // damage met whose loss is not yet known
}

// readJournal reads all files of a journal. known are the groups of the
// database; sealed is what the database already holds.
func readJournal(fs FS, dir string, known map[uint32]*groupRecord, sealed marks) (*replayed, error) {
	names, err := fs.List(dir)
	if errors.Is(err, os.ErrNotExist) {
		names, err = nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("read journal: %w", err)
	}
	r := replayer{sealed: sealed, lastScan: sealed.scan, lastEvent: sealed.event, known: map[uint32]*groupRecord{}}
	for id, g := range known {
		r.known[id] = g
	}
	r.out.groups = map[uint32]*groupRecord{}
	for _, name := range names {
		number, err := strconv.ParseUint(strings.TrimSuffix(name, ".log"), 10, 64)
		if err != nil || journalName(number) != name {
			continue // not ours
		}
		b, err := fs.ReadFile(filepath.Join(dir, name))
		if err != nil {
			return nil, fmt.Errorf("read journal %s: %w", name, err)
		}
		r.out.files = append(r.out.files, name)
		r.out.number = number
		if !r.file(name, number, b) {
			r.out.damaged = append(r.out.damaged, name)
		}
	}
	return &r.out, nil
}

func (r *replayer) group(id uint32) *scan.Group {
	if g := r.known[id]; g != nil {
		return g.group
	}
	return nil
}

// file reads one file's records. Where one does not check out, it looks for
// the next that does. Nothing behind it means a torn tail, which is what a
// power cut leaves and holds nothing that was called safe. whole is false
// where there was damage before the tail.
func (r *replayer) file(name string, number uint64, b []byte) (whole bool) {
	at := 0
	whole = true
	if len(b) >= journalHead && string(b[:journalHead]) == string(appendJournalHead(nil, number)) {
		at = journalHead
	} else if at = nextRecord(b, 0); at == len(b) {
		return true
	} else {
		whole = false
		r.lost = fmt.Sprintf("journal/%s: bytes 0 to %d are damaged", name, at)
	}
	for at < len(b) {
		typ, body, ok := recordAt(b, at)
		if ok && r.record(typ, body) == nil {
			at += recordHead + len(body)
			continue
		}
		next := nextRecord(b, at+1)
		if next < len(b) {
			whole = false
			if r.lost == "" {
				r.lost = fmt.Sprintf("journal/%s: bytes %d to %d are damaged", name, at, next)
			}
		}
		at = next
	}
	return whole
}

// recordAt checks the record that starts at offset at.
func recordAt(b []byte, at int) (typ byte, body []byte, ok bool) {
	if len(b)-at < recordHead {
		return 0, nil, false
	}
	n := binary.LittleEndian.Uint32(b[at:])
	typ = b[at+8]
	if n > maxRecord || int(n) > len(b)-at-recordHead || typ < recSegment || typ > recEvent {
		return 0, nil, false
	}
	body = b[at+recordHead : at+recordHead+int(n)]
	if crc32.Checksum(b[at+8:at+recordHead+int(n)], castagnoli) != binary.LittleEndian.Uint32(b[at+4:]) {
		return 0, nil, false
	}
	return typ, body, true
}

func nextRecord(b []byte, at int) int {
	for ; at < len(b); at++ {
		if _, _, ok := recordAt(b, at); ok {
			return at
		}
	}
	return len(b)
}

func (r *replayer) record(typ byte, body []byte) error {
	switch typ {
	case recSegment:
		seg, err := decodeSegment(body)
		if err != nil {
			return err
		}
		r.out.segments = append(r.out.segments, seg)
	case recGroup:
		g, err := decodeGroup(body)
		if err != nil {
			return err
		}
		if old := r.known[g.group.ID]; old == nil || g.version > old.version {
			r.known[g.group.ID], r.out.groups[g.group.ID] = g, g
		}
	case recEvent:
		rd := reader{b: body}
		e := readEvent(&rd)
		if rd.bad || len(rd.b) != 0 {
			return fmt.Errorf("%w: event record", ErrDamaged)
		}
		if e.Seq > r.lastEvent {
			if first := r.lastEvent + 1; e.Seq != first {
				r.out.damage = append(r.out.damage, fmt.Sprintf("%s: %d events are lost (numbers %d to %d, before %s)",
					r.why(), e.Seq-first, first, e.Seq-1, stamp(e.WallMS)))
			}
			r.out.events = append(r.out.events, e)
			r.lastEvent = e.Seq
		}
	case recScan:
		s, err := decodeScan(body, r.group)
		if err != nil {
			return err
		}
		r.scan(s)
	}
	return nil
}

// scan takes a scan that was not seen before. A hole in the sequence tells
// what damage cost.
func (r *replayer) scan(s scan.Scan) {
	if s.Seq <= r.lastScan {
		return // sealed, or written twice around a failed sync
	}
	if first := r.lastScan + 1; s.Seq != first {
		from := "before"
		if n := len(r.out.scans); n > 0 {
			from = "between " + stamp(r.out.scans[n-1].WallMS) + " and"
		}
		r.out.damage = append(r.out.damage, fmt.Sprintf("%s: %d scans are lost (numbers %d to %d, %s %s)",
			r.why(), s.Seq-first, first, s.Seq-1, from, stamp(s.WallMS)))
	}
	r.lost = ""
	r.lastScan = s.Seq
	r.out.scans = append(r.out.scans, s)
}

// why says what damage a hole in the numbers comes from.
func (r *replayer) why() string {
	if r.lost != "" {
		return r.lost
	}
	return "the journal lacks a file or part of one"
}
