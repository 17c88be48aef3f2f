package store

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"time"

	bolt "go.etcd.io/bbolt"

	"loadscribe/agent/scan"
)

// findings are the values that a search of a damaged file's bytes found.
type findings struct {
	groups   []*groupRecord
	segments map[uint32]Segment
	blocks   []foundBlock
	events   map[uint64]Event
	texts    map[string][]byte // by content
	unread   []loss            // blocks that were found and cannot be decoded

	tree    *fileCheck // what the tree knows
	journal journalled // what the journal has
}

type foundBlock struct {
	head  *blockHead // its columns are dropped
	at    int64
	value int64 // length
	live  bool  // the tree has it
}

func (b *foundBlock) ref() blockRef {
	return blockRef{b.head.hour, b.head.deviceNo, b.head.firstSeq, b.head.lastSeq}
}

// salvage sets a damaged database aside under another name and puts what can
// be read of it into a new one. It does not trust the damaged file's tree:
// each value carries its own mark, length and checksum, so it is found by a
// search over the bytes. Cells are made again from the blocks, pieces by the
// Summariser. What the tree knows helps to say what is lost.
func (s *Store) salvage(name string, tree *fileCheck, why error) (notes []Event, err error) {
	if s.db != nil {
		if err := guard(s.db.Close); err != nil {
			s.log.Warn("close damaged database", "error", err)
		}
		s.db = nil
	}
	s.groups, s.devices, s.segments = map[uint32]*groupRecord{}, map[string]uint32{}, nil
	s.rawFromMS, s.cellsMS = 0, 0
	s.sealed, s.last, s.blocks, s.blockLen, s.segDirty = marks{}, marks{}, 0, 0, 0
	s.failed = failures{}

	aside := name + ".damaged-" + time.Now().UTC().Format("20060102T150405.000Z")
	if err := s.o.FS.Rename(name, aside); err != nil {
		return nil, fmt.Errorf("set damaged database aside: %w", err)
	}
	s.log.Error("the database is damaged and set aside; what can be read is saved into a new one", "why", why, "aside", aside)
	if err := s.createDatabase(name); err != nil {
		return nil, err
	}
	if s.db, err = s.openDatabase(name, false); err != nil {
		return nil, err
	}
	f, err := os.Open(aside)
	if err != nil {
		return nil, fmt.Errorf("salvage: %w", err)
	}
	defer f.Close()
	found, err := s.search(f, tree)
	if err != nil {
		return nil, fmt.Errorf("salvage %s: %w", aside, err)
	}
	var have seqSet
	if err := s.refill(f, found, &have); err != nil {
		return nil, fmt.Errorf("salvage %s: %w", aside, err)
	}
	if err := s.keepRest(f, found); err != nil {
		return nil, fmt.Errorf("salvage %s: %w", aside, err)
	}
	notes = []Event{{Kind: "data_damaged", Text: fmt.Sprintf(
		"store.db was damaged (%v) and is kept as %s; %d blocks and %d events were saved from it into a new one",
		why, filepath.Base(aside), len(found.blocks), len(found.events)), Data: map[string]string{"file": filepath.Base(aside)}}}
	for _, l := range s.lostFrom(found.blocks, tree.refs, &have) {
		notes = append(notes, l.event())
	}
	for _, l := range found.unread {
		notes = append(notes, l.event())
	}
	return notes, nil
}

// search finds every intact value in a file. Free pages hold what is no more,
// or never was: blocks of a seal that a power cut stopped, whose scans may have
// been lost and their numbers given anew. So what the tree has comes before
// what it has not, and of what it says is not sealed nothing is taken from
// where the journal goes on.
func (s *Store) search(f io.ReaderAt, tree *fileCheck) (*findings, error) {
	found := &findings{segments: map[uint32]Segment{}, events: map[uint64]Event{}, texts: map[string][]byte{}, tree: tree}
	var err error
	if found.journal, err = readNumbers(s.o.FS, filepath.Join(s.dir, journalDir)); err != nil {
		return nil, err
	}
	found.groups = append(found.groups, found.journal.groups...)
	const window = 4 << 20
	buf := make([]byte, window+len(envelopeMagic)-1)
	for base := int64(0); ; base += window {
		n, err := readAround(f, buf, base)
		for at := 0; ; at++ {
			i := bytes.Index(buf[at:n], []byte(envelopeMagic))
			if i < 0 || at+i >= window {
				break
			}
			at += i
			s.foundAt(f, base+int64(at), found)
		}
		if err != nil {
			break
		}
	}
	found.blocks = withoutOverlap(found.blocks)
	return found, nil
}

// readAround fills buf from a file, with zeros where the device gives an
// error. The only error it returns is io.EOF.
func readAround(f io.ReaderAt, buf []byte, at int64) (n int, err error) {
	n, err = f.ReadAt(buf, at)
	if err == nil || errors.Is(err, io.EOF) {
		return n, err
	}
	const piece = 4096
	for n = 0; n < len(buf); n += piece {
		part := buf[n:min(n+piece, len(buf))]
		clear(part)
		if m, err := f.ReadAt(part, at+int64(n)); errors.Is(err, io.EOF) {
			return n + m, io.EOF
		}
	}
	return len(buf), nil
}

// foundAt takes the value at an offset if it is whole.
func (s *Store) foundAt(f io.ReaderAt, at int64, found *findings) {
	value, err := readEnvelope(f, at)
	if err != nil {
		return
	}
	typ, version, body, err := open(value)
	if err != nil {
		return
	}
	switch typ {
	case typeGroup:
		if g, err := decodeGroup(body); err == nil {
			found.groups = append(found.groups, g)
		}
	case typeSegment:
		if seg, err := decodeSegment(body); err == nil {
			if old, ok := found.segments[seg.Number]; !ok || old.FirstSeq == 0 {
				found.segments[seg.Number] = seg
			}
		}
	case typeEvents:
		// one that fails here passed its checksum: nothing more can be done
		_ = s.eachEvent(value, func(e Event) { found.event(e, at) })
	case typeText:
		if text, err := readList(body, s.dec); err == nil {
			found.texts[string(text)] = text
		}
	case typeBlock:
		if h, err := readBlockHead(version, body); err == nil {
			h.groups = nil
			b := foundBlock{h, at, int64(len(value)), found.tree.live[at]}
			if b.live || found.tree.keeps(h.hour) && found.journal.scans.before(h.lastSeq, found.tree.metas.scan) {
				found.blocks = append(found.blocks, b)
			}
		}
	}
}

func (found *findings) event(e Event, at int64) {
	_, have := found.events[e.Seq]
	if found.tree.live[at] || !have && found.journal.events.before(e.Seq, found.tree.metas.event) {
		found.events[e.Seq] = e
	}
}

func readEnvelope(f io.ReaderAt, at int64) ([]byte, error) {
	head := make([]byte, envelopeSize)
	if _, err := f.ReadAt(head, at); err != nil {
		return nil, err
	}
	n := int64(head[6]) | int64(head[7])<<8 | int64(head[8])<<16 | int64(head[9])<<24
	if n > maxEnvelope {
		return nil, ErrDamaged
	}
	value := make([]byte, envelopeSize+n)
	_, err := f.ReadAt(value, at)
	if errors.Is(err, io.EOF) && n < 1<<20 {
		err = nil // the last value may end with the file; open checks
	}
	return value, err
}

// withoutOverlap drops blocks that another one of the device covers, those of
// the tree last.
func withoutOverlap(blocks []foundBlock) []foundBlock {
	slices.SortStableFunc(blocks, func(a, b foundBlock) int {
		switch {
		case a.live != b.live && a.live:
			return -1
		case a.live != b.live:
			return 1
		}
		return compare(b.head.lastSeq-b.head.firstSeq, a.head.lastSeq-a.head.firstSeq) // the longer one first
	})
	taken := map[uint32][]foundBlock{} // a device's, by first number
	for _, b := range blocks {
		list := taken[b.head.deviceNo]
		i, same := slices.BinarySearchFunc(list, b.head.firstSeq, func(have foundBlock, seq uint64) int {
			return compare(have.head.firstSeq, seq)
		})
		if same || i > 0 && list[i-1].head.lastSeq >= b.head.firstSeq || i < len(list) && list[i].head.firstSeq <= b.head.lastSeq {
			continue
		}
		taken[b.head.deviceNo] = slices.Insert(list, i, b)
	}
	var out []foundBlock
	for _, list := range taken {
		out = append(out, list...)
	}
	slices.SortFunc(out, func(a, b foundBlock) int {
		if a.head.firstSeq != b.head.firstSeq {
			return compare(a.head.firstSeq, b.head.firstSeq)
		}
		return compare(uint64(a.head.deviceNo), uint64(b.head.deviceNo))
	})
	return out
}

// refill writes what was found into the new database.
func (s *Store) refill(f io.ReaderAt, found *findings, have *seqSet) error {
	for _, g := range found.groups {
		s.keepGroup(g)
	}
	for _, number := range slices.Sorted(maps.Keys(found.segments)) {
		s.segments = append(s.segments, found.segments[number])
	}
	for _, b := range found.blocks {
		s.sealed.scan = max(s.sealed.scan, b.head.lastSeq)
	}
	var events []Event
	for _, seq := range slices.Sorted(maps.Keys(found.events)) {
		events = append(events, found.events[seq])
		s.sealed.event = seq
	}
	err := s.db.Update(func(tx *bolt.Tx) error {
		for _, g := range found.groups {
			if err := putGroup(tx, g); err != nil {
				return err
			}
		}
		if err := s.putEvents(tx, events); err != nil {
			return err
		}
		for _, text := range found.texts {
			if err := s.putText(tx, text); err != nil {
				return err
			}
		}
		return s.putSegments(tx)
	})
	const blocksACommit = 50
	for i := 0; i < len(found.blocks) && err == nil; i += blocksACommit {
		err = s.db.Update(func(tx *bolt.Tx) error {
			for _, b := range found.blocks[i:min(i+blocksACommit, len(found.blocks))] {
				if err := s.refillBlock(tx, f, b, found, have); err != nil {
					return err
				}
			}
			return nil
		})
	}
	if err != nil {
		return err
	}
	s.last, s.segDirty = s.sealed, len(s.segments)
	return s.db.Update(func(tx *bolt.Tx) error {
		if err := putMetaUint(tx, metaSealedScan, s.sealed.scan); err != nil {
			return err
		}
		return putMetaUint(tx, metaSealedEvent, s.sealed.event)
	})
}

// refillBlock stores a block, counts its scans into cells and notes their
// numbers.
func (s *Store) refillBlock(tx *bolt.Tx, f io.ReaderAt, b foundBlock, found *findings, have *seqSet) error {
	value, err := readEnvelope(f, b.at)
	if err != nil {
		return err
	}
	h, err := openBlock(value)
	if err != nil {
		return err
	}
	packs := map[int64]*devicePack{}
	m := merger{dec: columnDecoder{dec: s.dec}, groups: s.groupMap()}
	var numbers []uint64
	unread := false
	err = m.run([]blockRef{b.ref()}, ScanQuery{}, func(blockRef) ([]byte, error) { return value, nil },
		func(_ blockRef, err error) error {
			found.unread = append(found.unread, loss{device: h.device, fromMS: h.hour * hourMS, toMS: (h.hour + 1) * hourMS,
				first: h.firstSeq, last: h.lastSeq, why: fmt.Sprintf("the block is in the file that was set aside and cannot be decoded: %v", err)})
			unread = true
			return nil
		},
		func(sc *scan.Scan) error {
			numbers = append(numbers, sc.Seq)
			hour := hourOf(sc.WallMS)
			p := packs[hour]
			if p == nil {
				p = &devicePack{device: h.device, deviceNo: h.deviceNo, spanMS: hour * hourMS}
				packs[hour] = p
			}
			p.pack.addScan(sc, levels[0].stepMS)
			return nil
		})
	if err != nil || unread {
		return err
	}
	for _, seq := range numbers {
		have.add(seq)
	}
	day, err := makeDayBucket(tx, bucketBlocks, dayOf(h.hour))
	if err != nil {
		return err
	}
	if err := day.Put(blockKey(h), value); err != nil {
		return err
	}
	if s.blocks == 0 || h.minWall < s.oldestMS {
		s.oldestMS = h.minWall
	}
	s.newestMS = max(s.newestMS, h.maxWallMS)
	s.blocks++
	s.blockLen += int64(len(value))
	for _, hour := range slices.Sorted(maps.Keys(packs)) {
		if err := s.putCells(tx, packs[hour]); err != nil {
			return err
		}
	}
	return nil
}
