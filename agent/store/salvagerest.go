package store

import (
	"io"
	"maps"
	"slices"

	bolt "go.etcd.io/bbolt"

	"loadscribe/agent/scan"
)

// refill writes what was found into the new database.
func (s *Store) refill(f io.ReaderAt, found *findings, have *seqSet) error {
	s.keepDescribed(&found.described)
	s.segDirty = 0 // all are new here
	var groups []*groupRecord
	for _, id := range slices.Sorted(maps.Keys(s.groups)) {
		groups = append(groups, s.groups[id])
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
		if err := s.putEvents(tx, events); err != nil {
			return err
		}
		for _, text := range found.texts {
			if err := s.putText(tx, text); err != nil {
				return err
			}
		}
		return s.putDescriptions(tx, groups)
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
	m := merger{dec: columnDecoder{dec: s.dec}, groups: s.groupMap(), shifts: s.shifts()}
	var numbers []uint64
	unread := false
	err = m.run([]blockRef{b.ref()}, ScanQuery{}, func(blockRef) ([]byte, error) { return value, nil },
		func(_ blockRef, err error) error {
			found.unread = append(found.unread, loss{device: h.device, fromMS: h.hour * hourMS, toMS: (h.hour + 1) * hourMS,
				first: h.firstSeq, last: h.lastSeq, why: "they cannot be read; the file that was set aside still has them", cause: err.Error()})
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
	for _, hour := range slices.Sorted(maps.Keys(packs)) {
		if err := s.putCells(tx, packs[hour]); err != nil {
			return err
		}
	}
	return nil
}

// keepRest takes over what else the damaged file's tree still has and what
// cannot be made again: cells of hours whose readings are lost or were dropped,
// pieces whose readings were, other values by their keys. With it go
// the events that tell of the damage: see untold.
func (s *Store) keepRest(f io.ReaderAt, found *findings, notes []Event) error {
	tree := found.tree
	return s.db.Update(func(tx *bolt.Tx) (err error) {
		for key, value := range tree.metaRest {
			if err := tx.Bucket([]byte(bucketMeta)).Put([]byte(key), value); err != nil {
				return err
			}
		}
		for _, v := range tree.rest {
			switch v.top {
			case bucketTexts: // found by the search
			case bucketLog:
				err = keepOldHead(tx, f, v)
			default:
				err = keepValue(tx, f, v)
			}
			if err != nil {
				return err
			}
		}
		if err := rawFromBlocks(tx, found.blocks); err != nil {
			return err
		}
		kept, err := keptScans(tx)
		if err != nil {
			return err
		}
		if err := s.emptyPieces(tx, kept); err != nil {
			return err
		}
		if err := s.putUntold(tx, append(s.untold(tx), notes...)); err != nil {
			return err
		}
		return sumMeta(tx)
	})
}

// rawFromBlocks makes up for a time of the first kept readings that is lost, as
// pieces older than all blocks show: without it they would count as pieces
// that can be made again.
func rawFromBlocks(tx *bolt.Tx, blocks []foundBlock) error {
	if metaUint(tx, metaRawFrom) != 0 {
		return nil
	}
	day := int64(maxWallMS / dayMS)
	for _, b := range blocks {
		day = min(day, dayOf(b.head.hour))
	}
	k, _ := tx.Bucket([]byte(bucketPieces)).Cursor().First()
	if len(blocks) == 0 || len(k) != 8 || get64(k) >= day {
		return nil
	}
	return putMetaUint(tx, metaRawFrom, uint64(day*dayMS))
}

// keepValue copies a value unless there is a new one.
func keepValue(tx *bolt.Tx, f io.ReaderAt, v treeValue) error {
	b, err := tx.CreateBucketIfNotExists([]byte(v.top))
	if err == nil && v.inner != "" {
		b, err = b.CreateBucketIfNotExists([]byte(v.inner))
	}
	if err != nil || b.Get([]byte(v.key)) != nil {
		return err
	}
	value := make([]byte, v.n)
	if _, err := f.ReadAt(value, v.at); err != nil {
		return nil // it was read a moment ago; the device fails
	}
	return b.Put([]byte(v.key), value)
}

// keepOldHead keeps the checkpoint of the damaged file for the first leaf of
// the new one, whose log begins anew: what it proved, the file that was set
// aside proves still.
func keepOldHead(tx *bolt.Tx, f io.ReaderAt, v treeValue) error {
	value := make([]byte, v.n)
	if _, err := f.ReadAt(value, v.at); err != nil {
		return nil // it was read a moment ago; the device fails
	}
	if v.key == logHeadKey {
		head, err := decodeLogHead(value)
		if err != nil {
			return nil
		}
		value = wrap(nil, typeLogOld, head.text)
	}
	b, err := tx.CreateBucketIfNotExists([]byte(bucketLog))
	if err != nil {
		return err
	}
	return b.Put([]byte(logOldKey), value)
}
