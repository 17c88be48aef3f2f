package store

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"slices"

	bolt "go.etcd.io/bbolt"
	"golang.org/x/mod/sumdb/tlog"

	"loadscribe/agent/evidence"
)

// logLeaf is a leaf as the log keeps it: bytes of its own, or of a block or an
// event its hash and where the content is.
type logLeaf struct {
	kind byte
	hash tlog.Hash
	data []byte   // nil for blocks and events
	ref  blockRef // of a block
	seq  uint64   // of an event
}

// eachLogLeaf reads a value of entries, which begins with a whole entry, and
// ends with one.
func eachLogLeaf(body []byte, fn func(*logLeaf) error) error {
	for r := (reader{b: body}); len(r.b) > 0; {
		l := logLeaf{data: r.take(r.uint())}
		if len(l.data) == 0 {
			return fmt.Errorf("%w: entry of the evidence log", ErrDamaged)
		}
		l.kind, l.hash = l.data[0], evidence.LeafHash(l.data)
		if err := fn(&l); err != nil {
			return err
		}
		if l.kind != LeafSeal {
			continue
		}
		leaf, err := ReadLeaf(l.data)
		if err != nil {
			return err
		}
		if err := eachSealed(&r, leaf.Seal, fn); err != nil {
			return err
		}
	}
	return nil
}

// eachSealed reads the blocks and events of a seal's entry.
func eachSealed(r *reader, seal *SealLeaf, fn func(*logLeaf) error) error {
	ref := blockRef{firstSeq: seal.FirstScan}
	seq := seal.FirstEvent
	for i := uint64(0); i < seal.Blocks+seal.Events; i++ {
		l := logLeaf{kind: LeafBlock}
		if i < seal.Blocks {
			ref.hour += r.int()
			ref.deviceNo = uint32(r.uint())
			ref.firstSeq += uint64(r.int())
			ref.lastSeq = ref.firstSeq + r.uint()
			l.ref = ref
		} else {
			seq += r.uint()
			l.kind, l.seq = LeafEvent, seq
		}
		copy(l.hash[:], r.take(tlog.HashSize))
		if r.bad {
			return fmt.Errorf("%w: entry of the evidence log", ErrDamaged)
		}
		if err := fn(&l); err != nil {
			return err
		}
	}
	return nil
}

// eachLogValue calls fn for the values of entries, in order.
func eachLogValue(b *bolt.Bucket, fn func(first int64, value []byte) error) error {
	c := b.Cursor()
	for k, v := c.First(); len(k) == 8; k, v = c.Next() {
		if err := fn(int64(binary.BigEndian.Uint64(k)), v); err != nil {
			return err
		}
	}
	return nil
}

// leavesOf finds the numbers of blocks' leaves, in order. A block that could
// not be read when the log began has none.
func (w *logWriter) leavesOf(blocks []blockRef) (leaves []int64, err error) {
	wanted := make(map[blockRef]bool, len(blocks))
	for _, r := range blocks {
		wanted[r] = true
	}
	if len(w.body) > 0 {
		if err := w.flush(); err != nil {
			return nil, err
		}
	}
	err = eachLogValue(w.bucket, func(i int64, value []byte) error {
		body, err := unwrap(value, typeLog)
		if err != nil {
			return err
		}
		return eachLogLeaf(body, func(l *logLeaf) error {
			if l.kind == LeafBlock && wanted[l.ref] {
				leaves = append(leaves, i)
			}
			i++
			return nil
		})
	})
	return leaves, err
}

// droppedByDay is leavesOf for each day of blocks, which are in the order of
// their keys.
func (w *logWriter) droppedByDay(blocks []blockRef) (out []DroppedLeaf, err error) {
	for len(blocks) > 0 {
		n, day := 0, dayOf(blocks[0].hour)
		for n < len(blocks) && dayOf(blocks[n].hour) == day {
			n++
		}
		leaves, err := w.leavesOf(blocks[:n])
		if err != nil {
			return nil, err
		}
		out = append(out, DroppedLeaf{Day: day, Leaves: leaves})
		blocks = blocks[n:]
	}
	return out, nil
}

// begin appends the first leaf and the key's.
func (w *logWriter) begin(l *BeginLeaf) error {
	w.head = &logHead{}
	copy(l.StoreID[:], w.tx.Bucket([]byte(bucketMeta)).Get([]byte(metaID)))
	l.WallMS = w.wallMS
	if old := w.bucket.Get([]byte(logOldKey)); old != nil {
		if text, err := unwrap(old, typeLogOld); err == nil { // a word about the past must not keep the present from being sealed
			l.Old = string(text)
		}
	}
	if err := w.bucket.Delete([]byte(logOldKey)); err != nil {
		return err
	}
	if err := w.leaf(appendBegin(nil, l)); err != nil {
		return err
	}
	return w.newKey()
}

// adopt begins the log of a store that holds something already: of an older
// format, or made by a salvage. Its first seal is all that is there, as it is
// found, with the blocks that were dropped before.
func (w *logWriter) adopt(format uint64) error {
	var a addition
	dropped, err := w.adoptBlocks(&a)
	if err == nil {
		err = w.adoptEvents(&a)
	}
	if err != nil {
		return err
	}
	if len(a.blocks)+len(a.events) == 0 {
		return nil // the first seal begins it
	}
	begin := &BeginLeaf{Format: format, Blocks: uint64(len(a.blocks)), Events: uint64(len(a.events))}
	if err := w.begin(begin); err != nil {
		return err
	}
	byDay := map[int64]*DroppedLeaf{}
	for i, b := range a.blocks {
		if day := dayOf(b.hour); dropped[string(b.key)] {
			if byDay[day] == nil {
				byDay[day] = &DroppedLeaf{Day: day}
			}
			byDay[day].Leaves = append(byDay[day].Leaves, w.head.size+1+int64(i))
		}
	}
	for _, d := range byDay {
		a.dropped = append(a.dropped, *d)
	}
	slices.SortFunc(a.dropped, func(x, y DroppedLeaf) int { return int(x.Day - y.Day) })
	return w.seal(&a, stateOf(w.tx))
}

// adoptBlocks takes the leaves of all blocks, also of those that were dropped,
// and says which these are, by their keys.
func (w *logWriter) adoptBlocks(a *addition) (dropped map[string]bool, err error) {
	shifts := map[uint32]int64{}
	for _, seg := range w.s.Segments() {
		shifts[seg.Number] = seg.ShiftMS
	}
	take := func(l *BlockLeaf, data []byte) []byte {
		r, shift := l.ref(), shifts[l.Segment]
		a.blocks = append(a.blocks, sealedBlock{key: r.key(), hour: r.hour, leaf: data, fromMS: l.MinWallMS + shift, toMS: l.MaxWallMS + shift})
		if a.firstScan == 0 || l.FirstSeq < a.firstScan {
			a.firstScan = l.FirstSeq
		}
		a.lastScan = max(a.lastScan, l.LastSeq)
		a.scans += l.rows()
		return a.blocks[len(a.blocks)-1].key
	}
	refs, err := allBlocks(w.tx)
	if err != nil {
		return nil, err
	}
	for _, ref := range refs {
		value := dayBucket(w.tx, bucketBlocks, dayOf(ref.hour)).Get(ref.key())
		h, err := openBlock(value)
		if err == nil {
			err = checkRef(ref, h)
		}
		if err != nil { // its loss is told when it is met
			w.s.log.Error("a damaged block is not in the evidence log", "hour", stamp(ref.hour*hourMS), "error", err)
			continue
		}
		data := blockLeaf(h)
		leaf, err := ReadLeaf(data)
		if err != nil {
			return nil, err
		}
		take(leaf.Block, data)
	}
	dropped = map[string]bool{}
	err = w.s.eachKeptLeaf(w.tx, func(l *BlockLeaf, data []byte) { dropped[string(take(l, data))] = true })
	slices.SortFunc(a.blocks, func(x, y sealedBlock) int { return bytes.Compare(x.key, y.key) })
	return dropped, err
}

// eachKeptLeaf calls fn for what stays of dropped blocks.
func (s *Store) eachKeptLeaf(tx *bolt.Tx, fn func(l *BlockLeaf, data []byte)) error {
	b := tx.Bucket([]byte(bucketLeaves))
	if b == nil {
		return nil
	}
	return b.ForEach(func(_, value []byte) error {
		body, err := unwrap(value, typeLeaves)
		if err != nil {
			return err
		}
		raw, err := readList(body, s.dec)
		if err != nil {
			return err
		}
		for r := (reader{b: raw}); len(r.b) > 0; {
			from := r.b
			l := readBlockLeaf(&r)
			if r.bad {
				return fmt.Errorf("%w: leaf of a dropped block", ErrDamaged)
			}
			fn(l, append([]byte{LeafBlock}, from[:len(from)-len(r.b)]...))
		}
		return nil
	})
}

func (w *logWriter) adoptEvents(a *addition) error {
	err := eachEventValue(w.tx, func(_, _, value []byte) error {
		err := w.s.eachEvent(value, func(e Event) { a.events = append(a.events, e) })
		if err != nil { // likewise told when it is met
			w.s.log.Error("damaged events are not in the evidence log", "error", err)
		}
		return nil
	})
	slices.SortFunc(a.events, func(x, y Event) int { return compare(x.Seq, y.Seq) })
	return err
}

// eachEventValue calls fn for the lists of events, with the bucket and the key
// that each stands under.
func eachEventValue(tx *bolt.Tx, fn func(day, key, value []byte) error) error {
	top := tx.Bucket([]byte(bucketEvents))
	return top.ForEachBucket(func(day []byte) error {
		return top.Bucket(day).ForEach(func(k, v []byte) error { return fn(day, k, v) })
	})
}
