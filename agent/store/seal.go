package store

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"slices"

	bolt "go.etcd.io/bbolt"

	"loadscribe/agent/scan"
)

// sealing is what one seal writes.
type sealing struct {
	blocks []sealedBlock
	packs  []devicePack
	events []Event
	first  uint64 // scan
	scans  uint64 // how many
	sealed marks
	failed failures
}

type sealedBlock struct {
	key          []byte
	hour         int64
	value        []byte
	leaf         []byte // of the evidence log
	fromMS, toMS int64  // of its scans, labels put right
}

// devicePack is the cells of the first level of one device and hour.
type devicePack struct {
	device   string
	deviceNo uint32
	spanMS   int64
	pack     pack
}

// Seal makes all that was appended so far safe in the database, as the turn of
// an hour does, though the journal may take nothing.
func (s *Store) Seal() error {
	if s.readOnly {
		return ErrReadOnly
	}
	s.writeMu.Lock()
	defer s.writeMu.Unlock()
	if s.closed {
		return ErrClosed
	}
	return s.seal()
}

// seal moves all that is in memory into the database in one transaction.
// writeMu is held.
func (s *Store) seal() error {
	s.mu.Lock()
	tail, events := s.tail, s.events
	sl := sealing{events: events, first: s.sealed.scan + 1, scans: uint64(len(tail)), sealed: s.last, failed: s.failed.clone()}
	devices, shifts := s.devices, s.shifts()
	s.sealing, _ = s.o.Clock.Now()
	s.mu.Unlock()
	defer func() {
		s.mu.Lock()
		s.sealing = 0
		s.mu.Unlock()
	}()
	if s.fold {
		pieces, state := s.o.Summariser.Flush()
		s.mu.Lock()
		s.pieces, s.state = append(s.pieces, pieces...), state
		s.mu.Unlock()
	}
	if !s.keySafe && !s.copied {
		s.keepKey()
	}
	// devices is only written by Register, which writeMu keeps out
	s.cut(&sl, tail, devices, shifts)

	s.sealMu.Lock()
	defer s.sealMu.Unlock()
	err := s.update(func(tx *bolt.Tx) error { return s.commit(tx, &sl) })
	if err != nil {
		err = fmt.Errorf("seal %d scans: %w", len(tail), err)
	}
	if err != nil && !errors.Is(err, errUnsettled) || err != nil && !s.sealedTo(sl.sealed) {
		s.mu.Lock()
		s.sealErr = err
		s.mu.Unlock()
		return err
	}
	s.j.syncMu.Lock()
	defer s.j.syncMu.Unlock()
	s.mu.Lock()
	defer s.mu.Unlock()
	s.pieces = nil
	s.sealErr = err
	// a new slice: readers may still hold the old one
	s.tail, s.values = make([]scan.Scan, 0, len(tail)+len(tail)/16), 0
	s.events = slices.Clone(s.events[len(events):])
	s.sealed = sl.sealed
	s.segDirty, s.unsaved = len(s.segments), nil
	for _, b := range sl.blocks {
		s.blocks++
		s.blockLen += int64(len(b.value))
	}
	if err != nil {
		return err // unsettled: readers see it, but the journal must keep it
	}
	s.j.restart(sl.sealed)
	s.j.addSegment(&s.segments[len(s.segments)-1])
	for i := range s.events {
		s.j.addEvent(&s.events[i])
	}
	return nil
}

// sealedTo reports whether the database shows everything up to m as sealed.
func (s *Store) sealedTo(m marks) bool {
	var have marks
	err := s.view(func(tx *bolt.Tx) error {
		have = marks{scan: metaUint(tx, metaSealedScan), event: metaUint(tx, metaSealedEvent)}
		return nil
	})
	return err == nil && have == m
}

// cut sorts the scans into blocks, by their labels as recorded, and into cells,
// by true time as far as it is known.
func (s *Store) cut(sl *sealing, tail []scan.Scan, devices map[string]uint32, shifts map[uint32]int64) {
	type key struct {
		device  string
		segment uint32
		hour    int64
	}
	rows := map[key][]*scan.Scan{}
	var order []key
	run := map[uint32]int64{} // segment: its greatest hour so far
	packs := map[key]int{}
	for i := range tail {
		sc := &tail[i]
		hour := hourOf(sc.WallMS)
		h, seen := run[sc.Segment]
		if !seen || hour > h {
			h = hour
			run[sc.Segment] = h
		}
		k := key{sc.Group.Device, sc.Segment, h}
		if rows[k] == nil {
			order = append(order, k)
		}
		rows[k] = append(rows[k], sc)

		moved := *sc
		moved.WallMS += shifts[sc.Segment]
		hour = hourOf(moved.WallMS)
		pk := key{device: sc.Group.Device, hour: hour}
		p, seen := packs[pk]
		if !seen {
			p = len(sl.packs)
			packs[pk] = p
			sl.packs = append(sl.packs, devicePack{device: pk.device, deviceNo: devices[pk.device], spanMS: hour * hourMS})
		}
		sl.packs[p].pack.addScan(&moved, levels[0].stepMS)
	}
	for _, k := range order {
		scans := rows[k]
		value := s.blockEnc.encode(nil, devices[k.device], k.hour, scans)
		head, shift := &s.blockEnc.last, shifts[k.segment]
		sl.blocks = append(sl.blocks, sealedBlock{key: blockKey(head), hour: k.hour, value: value, leaf: blockLeaf(head),
			fromMS: head.minWall + shift, toMS: head.maxWallMS + shift})
	}
	slices.SortFunc(sl.blocks, func(a, b sealedBlock) int { return bytes.Compare(a.key, b.key) })
}

// commit writes everything of a seal. What it writes is of the newest format,
// and from now on the file is.
func (s *Store) commit(tx *bolt.Tx, sl *sealing) error {
	w, err := s.openLog(tx)
	if err != nil {
		return err
	}
	for _, b := range sl.blocks {
		day, err := makeDayBucket(tx, bucketBlocks, dayOf(b.hour))
		if err != nil {
			return err
		}
		if err := day.Put(b.key, b.value); err != nil {
			return err
		}
	}
	for i := range sl.packs {
		if err := s.putCells(tx, &sl.packs[i]); err != nil {
			return err
		}
	}
	if err := s.moveCells(tx); err != nil {
		return err
	}
	if err := s.putPieces(tx, s.pieces); err != nil {
		return err
	}
	if err := s.putEvents(tx, sl.events); err != nil {
		return err
	}
	if err := tx.Bucket([]byte(bucketMeta)).Delete([]byte(metaUntold)); err != nil {
		return err // sl.events has them
	}
	if err := s.putDescriptions(tx, s.unsaved); err != nil {
		return err
	}
	if s.fold {
		if err := putSummary(tx, sl.sealed.scan, s.state); err != nil {
			return err
		}
	}
	if err := putMoved(tx, s.movedFrom); err != nil {
		return err
	}
	if err := tx.Bucket([]byte(bucketMeta)).Put([]byte(metaFailures), sl.failed.encode()); err != nil {
		return err
	}
	if err := putMetaUint(tx, metaSealedScan, sl.sealed.scan); err != nil {
		return err
	}
	if err := putMetaUint(tx, metaSealedEvent, sl.sealed.event); err != nil {
		return err
	}
	return w.add(&addition{firstScan: sl.first, lastScan: sl.sealed.scan, scans: sl.scans, blocks: sl.blocks, events: sl.events})
}

// putCells merges a device's new cells into all levels.
func (s *Store) putCells(tx *bolt.Tx, p *devicePack) error {
	for _, l := range levels {
		span := floorTo(p.spanMS, l.spanMS)
		fresh := &p.pack
		if l.number > 1 {
			fresh = &pack{}
			p.pack.coarser(l.stepMS, fresh)
		}
		if err := s.mergeCells(tx, p, l, span, fresh); err != nil {
			return err
		}
	}
	return nil
}

func (s *Store) mergeCells(tx *bolt.Tx, p *devicePack, l level, span int64, fresh *pack) error {
	bucket, err := makeTidyDay(tx, bucketCells, dayOf(hourOf(span)))
	if err != nil {
		return err
	}
	key := cellKey(l, p.deviceNo, span)
	merged := fresh
	if old := bucket.Get(key); old != nil {
		merged, err = s.readCells(old, l, span, &columnDecoder{dec: s.dec}, everyChannel)
		if errors.Is(err, ErrDamaged) {
			s.log.Error("cells are damaged and made again from raw", "device", p.device, "from", stamp(span), "error", err)
			merged, err = s.cellsFromBlocks(tx, p.deviceNo, l, span)
		}
		if err != nil {
			return err
		}
		if err := merged.merge(fresh, s.group); err != nil {
			return err
		}
	}
	return bucket.Put(key, wrap(nil, typeCells, appendPack(nil, merged, l, span, s.enc)))
}

// readCells decodes a pack of cells and checks that it is where it belongs.
func (s *Store) readCells(value []byte, l level, span int64, d *columnDecoder, wanted func(uint32, int) (int, bool)) (*pack, error) {
	version, body, err := unwrapVersion(value, typeCells)
	if err != nil {
		return nil, err
	}
	p, start, err := readPack(version, body, l, d, wanted)
	if err == nil && start != span {
		err = fmt.Errorf("%w: cells of another time", ErrDamaged)
	}
	return p, err
}

func everyChannel(uint32, int) (int, bool) { return allChannels, true }

// cellsFromBlocks makes a device's cells of one span from its blocks, in
// sequence order.
func (s *Store) cellsFromBlocks(tx *bolt.Tx, deviceNo uint32, l level, span int64) (*pack, error) {
	if span < s.RawFrom() {
		s.log.Error("these cells are lost: raw readings of their time are no longer kept", "from", stamp(span))
		return &pack{}, nil
	}
	s.mu.RLock()
	m := merger{dec: columnDecoder{dec: s.dec}, groups: s.groupMap(), shifts: s.shifts()}
	s.mu.RUnlock()
	refs, err := findShifted(tx, ScanQuery{FromMS: span, ToMS: span + l.spanMS}, map[uint32]bool{deviceNo: true}, m.shifts)
	if err != nil {
		return nil, err
	}
	p := &pack{}
	err = m.run(refs, ScanQuery{FromMS: span, ToMS: span + l.spanMS},
		func(r blockRef) ([]byte, error) { return readBlock(tx, r) },
		func(r blockRef, err error) error { return nil }, // its loss was told when it was met
		func(sc *scan.Scan) error { p.addScan(sc, l.stepMS); return nil })
	return p, err
}

// putDescriptions stores groups and the segments that are new or have changed,
// and renews the copies of both.
func (s *Store) putDescriptions(tx *bolt.Tx, groups []*groupRecord) error {
	s.mu.RLock()
	segments := slices.Clone(s.segments[min(s.segDirty, len(s.segments)):])
	s.mu.RUnlock()
	if len(groups)+len(segments) == 0 {
		return nil
	}
	for _, g := range groups {
		if err := putGroup(tx, g); err != nil {
			return err
		}
	}
	for i := range segments {
		key := binary.BigEndian.AppendUint32(nil, segments[i].Number)
		value := wrap(nil, typeSegment, appendSegment(nil, &segments[i]))
		if err := tx.Bucket([]byte(bucketSegments)).Put(key, value); err != nil {
			return err
		}
	}
	return putCopies(tx)
}
