package store

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"maps"
	"os"
	"path/filepath"
	"slices"
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
	damage   []loss // what was lost
}

// replayer reads journal files in order.
type replayer struct {
	out      replayed
	sealed   marks
	known    map[uint32]*groupRecord
	scans    map[uint64]scan.Scan // that are not sealed, by number
	events   map[uint64]Event
	whyScan  map[uint64]string // damage met just before a scan
	whyEvent map[uint64]string
	lastMS   int64  // wall time of the last scan or event
	lost     string // damage met whose loss is not yet known
}

func newReplayer(known map[uint32]*groupRecord, sealed marks) *replayer {
	if known == nil {
		known = map[uint32]*groupRecord{}
	}
	return &replayer{out: replayed{groups: map[uint32]*groupRecord{}}, sealed: sealed, known: maps.Clone(known),
		scans: map[uint64]scan.Scan{}, events: map[uint64]Event{}, whyScan: map[uint64]string{}, whyEvent: map[uint64]string{}}
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
	r := newReplayer(known, sealed)
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
	r.finish()
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

// journalled is the numbers of all scans and events that a journal has, and
// its groups.
type journalled struct {
	scans, events seqSet
	groups        []*groupRecord
}

func readNumbers(fs FS, dir string) (j journalled, err error) {
	names, err := fs.List(dir)
	if errors.Is(err, os.ErrNotExist) {
		return j, nil
	}
	for _, name := range names {
		if err != nil || !strings.HasSuffix(name, ".log") {
			continue
		}
		var b []byte
		b, err = fs.ReadFile(filepath.Join(dir, name))
		for at := nextRecord(b, 0); at < len(b); at = nextRecord(b, at) {
			typ, body, _ := recordAt(b, at)
			rd := reader{b: body}
			switch typ {
			case recScan:
				j.scans.add(rd.uint())
			case recEvent:
				j.events.add(rd.uint())
			case recGroup:
				if g, err := decodeGroup(body); err == nil {
					j.groups = append(j.groups, g)
				}
			}
			at += recordHead + len(body)
		}
	}
	return j, err
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
		if e.Seq > r.sealed.event {
			r.events[e.Seq] = e
			r.because(r.whyEvent, e.Seq)
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

// scan takes a scan that is not sealed. Files may hold the same one: around a
// failed sync, and where a start wrote anew what older files had and a power
// cut brought some of those back, others not. So all files are read before the
// order counts, and of one number the newest file's is taken.
func (r *replayer) scan(s scan.Scan) {
	if s.Seq > r.sealed.scan {
		r.scans[s.Seq] = s
		r.because(r.whyScan, s.Seq)
	}
}

// because keeps what damage stood before a record.
func (r *replayer) because(why map[uint64]string, seq uint64) {
	if r.lost != "" {
		why[seq], r.lost = r.lost, ""
	}
}

// finish puts all in order. A hole in the numbers tells what damage cost.
func (r *replayer) finish() {
	hole := func(next, seq uint64, wallMS int64, why string) {
		if seq == next {
			return
		}
		if why == "" {
			why = "the journal lacks a file or part of one"
		}
		r.out.damage = append(r.out.damage, loss{fromMS: r.lastMS, toMS: wallMS, first: next, last: seq - 1,
			why: "a part of the journal is damaged or missing", cause: why})
	}
	slices.SortStableFunc(r.out.segments, func(a, b Segment) int { return compare(int64(a.Number), int64(b.Number)) })
	next := r.sealed.scan + 1
	for _, seq := range slices.Sorted(maps.Keys(r.scans)) {
		s := r.scans[seq]
		hole(next, seq, s.WallMS, r.whyScan[seq])
		r.out.scans = append(r.out.scans, s)
		next, r.lastMS = seq+1, s.WallMS
	}
	r.out.damage = r.blame(r.out.damage)
	scans := len(r.out.damage)
	next, r.lastMS = r.sealed.event+1, 0
	for _, seq := range slices.Sorted(maps.Keys(r.events)) {
		e := r.events[seq]
		hole(next, seq, e.WallMS, r.whyEvent[seq])
		r.out.events = append(r.out.events, e)
		next, r.lastMS = seq+1, e.WallMS
	}
	for i := scans; i < len(r.out.damage); i++ {
		r.out.damage[i].events = true
	}
}

// blame finds the devices of lost scans: those that are silent there for
// longer than their period. Where these do not make up for all the numbers that
// are missing it cannot be told.
func (r *replayer) blame(holes []loss) (out []loss) {
	if len(holes) == 0 {
		return nil
	}
	byGroup := map[uint32][]*scan.Scan{}
	for i := range r.out.scans {
		s := &r.out.scans[i]
		byGroup[s.Group.ID] = append(byGroup[s.Group.ID], s)
	}
	names := map[string]bool{}
	for _, g := range r.known {
		names[g.group.Device] = true
	}
	all := slices.Sorted(maps.Keys(names))
	for _, h := range holes {
		silent, missing := map[string]bool{}, int64(0)
		for id, g := range r.known {
			list := byGroup[id]
			i, _ := slices.BinarySearchFunc(list, h.first, func(s *scan.Scan, seq uint64) int { return compare(s.Seq, seq) })
			if i == 0 || i == len(list) || list[i].Segment != list[i-1].Segment {
				continue
			}
			period := max(g.group.PeriodMS, 1)
			if n := (list[i].MonoMS-list[i-1].MonoMS+period/2)/period - 1; n > 0 {
				silent[g.group.Device] = true
				missing += n
			}
		}
		if len(silent) == 0 || missing < int64(h.last-h.first+1) {
			h.devices = all
			out = append(out, h)
			continue
		}
		for _, h.device = range slices.Sorted(maps.Keys(silent)) {
			out = append(out, h)
		}
	}
	return out
}
