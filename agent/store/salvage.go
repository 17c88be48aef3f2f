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
}

type foundBlock struct {
	head  *blockHead // its columns are dropped
	at    int64
	value int64 // length
}

// salvage sets a damaged database aside under another name and puts what can
// be read of it into a new one. It does not trust the damaged file's tree:
// each value carries its own mark, length and checksum, so it is found by a
// search over the bytes. Cells are made again from the blocks, pieces by the
// Summariser.
func (s *Store) salvage(name string, why error) (note string, err error) {
	if s.db != nil {
		if err := guard(s.db.Close); err != nil {
			s.log.Warn("close damaged database", "error", err)
		}
		s.db = nil
	}
	s.groups, s.devices, s.segments = map[uint32]*groupRecord{}, map[string]uint32{}, nil
	s.rawFromMS, s.cellsMS = 0, 0
	s.sealed, s.last, s.blocks, s.blockLen, s.segDirty = marks{}, marks{}, 0, 0, 0

	aside := name + ".damaged-" + time.Now().UTC().Format("20060102T150405.000Z")
	if err := s.o.FS.Rename(name, aside); err != nil {
		return "", fmt.Errorf("set damaged database aside: %w", err)
	}
	if err := s.createDatabase(name); err != nil {
		return "", err
	}
	if s.db, err = s.openDatabase(name, false); err != nil {
		return "", err
	}
	f, err := os.Open(aside)
	if err != nil {
		return "", fmt.Errorf("salvage: %w", err)
	}
	defer f.Close()
	found, err := s.search(f)
	if err != nil {
		return "", fmt.Errorf("salvage %s: %w", aside, err)
	}
	if err := s.refill(f, found); err != nil {
		return "", fmt.Errorf("salvage %s: %w", aside, err)
	}
	return fmt.Sprintf("store.db was damaged (%v) and is kept as %s; %d blocks and %d events were saved from it into a new one",
		why, filepath.Base(aside), len(found.blocks), len(found.events)), nil
}

// search finds every intact value in a file.
func (s *Store) search(f io.ReaderAt) (*findings, error) {
	found := &findings{segments: map[uint32]Segment{}, events: map[uint64]Event{}, texts: map[string][]byte{}}
	const window = 4 << 20
	buf := make([]byte, window+len(envelopeMagic)-1)
	for base := int64(0); ; base += window {
		n, err := f.ReadAt(buf, base)
		if err != nil && !errors.Is(err, io.EOF) {
			return nil, err
		}
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
		_ = s.eachEvent(value, func(e Event) { found.events[e.Seq] = e })
	case typeText:
		if text, err := readList(body, s.dec); err == nil {
			found.texts[string(text)] = text
		}
	case typeBlock:
		if h, err := readBlockHead(version, body); err == nil {
			h.groups = nil
			found.blocks = append(found.blocks, foundBlock{h, at, int64(len(value))})
		}
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

// withoutOverlap drops blocks that another one of the device covers: free
// pages can hold what a seal that was cut off had written.
func withoutOverlap(blocks []foundBlock) []foundBlock {
	slices.SortFunc(blocks, func(a, b foundBlock) int {
		x, y := a.head, b.head
		switch {
		case x.deviceNo != y.deviceNo:
			return compare(int64(x.deviceNo), int64(y.deviceNo))
		case x.firstSeq != y.firstSeq:
			return compare(x.firstSeq, y.firstSeq)
		default:
			return compare(y.lastSeq, x.lastSeq) // the longer one first
		}
	})
	var out []foundBlock
	for _, b := range blocks {
		if n := len(out); n > 0 && out[n-1].head.deviceNo == b.head.deviceNo && b.head.firstSeq <= out[n-1].head.lastSeq {
			continue
		}
		out = append(out, b)
	}
	slices.SortFunc(out, func(a, b foundBlock) int { return compare(a.head.firstSeq, b.head.firstSeq) })
	return out
}

// refill writes what was found into the new database.
func (s *Store) refill(f io.ReaderAt, found *findings) error {
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
				if err := s.refillBlock(tx, f, b); err != nil {
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

// refillBlock stores a block and counts its scans into cells.
func (s *Store) refillBlock(tx *bolt.Tx, f io.ReaderAt, b foundBlock) error {
	value, err := readEnvelope(f, b.at)
	if err != nil {
		return err
	}
	h, err := openBlock(value)
	if err != nil {
		return err
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
	packs := map[int64]*devicePack{}
	ref := blockRef{h.hour, h.deviceNo, h.firstSeq, h.lastSeq}
	m := merger{dec: columnDecoder{dec: s.dec}, groups: s.groupMap()}
	err = m.run([]blockRef{ref}, ScanQuery{}, func(blockRef) ([]byte, error) { return value, nil },
		func(_ blockRef, err error) error {
			s.log.Error("salvaged block cannot be decoded", "device", h.device, "hour", stamp(h.hour*hourMS), "error", err)
			return nil
		},
		func(sc *scan.Scan) error {
			hour := hourOf(sc.WallMS)
			p := packs[hour]
			if p == nil {
				p = &devicePack{device: h.device, deviceNo: h.deviceNo, spanMS: hour * hourMS}
				packs[hour] = p
			}
			p.pack.addScan(sc, levels[0].stepMS)
			return nil
		})
	if err != nil {
		return err
	}
	for _, hour := range slices.Sorted(maps.Keys(packs)) {
		if err := s.putCells(tx, packs[hour]); err != nil {
			return err
		}
	}
	return nil
}
