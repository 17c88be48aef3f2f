package store

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"slices"

	bolt "go.etcd.io/bbolt"
	"golang.org/x/mod/sumdb/tlog"

	"loadscribe/agent/evidence"
)

// ErrNoEvidence: nothing was sealed yet with a program that keeps the log.
var ErrNoEvidence = errors.New("the evidence log has not begun: its first checkpoint comes with the first seal, within an hour of the start")

// EvidenceHead is where the evidence log stands.
type EvidenceHead struct {
	Checkpoint evidence.Checkpoint
	Text       []byte // as signed
}

// Evidence is the newest checkpoint; the error wraps ErrNoEvidence where there
// is none.
func (s *Store) Evidence() (e EvidenceHead, err error) {
	err = s.view(func(tx *bolt.Tx) error {
		head, err := readLogHead(tx)
		if err == nil && head == nil {
			err = ErrNoEvidence
		}
		if err == nil {
			e.Text = head.text
		}
		return err
	})
	if err == nil {
		e.Checkpoint, err = evidence.ParseCheckpoint(e.Text)
	}
	if err != nil {
		return EvidenceHead{}, fmt.Errorf("newest checkpoint: %w", err)
	}
	return e, nil
}

// LogReader shows the evidence log as it stood at one moment. What was dropped
// since then is told by ErrDropped.
type LogReader struct {
	s        *Store
	id       [16]byte
	head     *logHead
	leaves   []logLeaf
	levels   [][]tlog.Hash // of complete subtrees, from the leaves up; made when wanted
	groups   [][]byte
	segments [][]byte
	refs     []blockRef // blocks that are there
	lists    []eventList
	used     described // groups and segments as reading takes them

	events  map[uint64][]byte   // leaves, made when wanted
	dropped map[blockRef][]byte // likewise
}

// ReadLog calls fn with the log as it stands. No transaction is open while fn
// runs, so fn may take its time; what it asks for has not changed since, since
// nothing in the log ever does. The reader must not be used after fn returns,
// nor from two goroutines.
func (s *Store) ReadLog(ctx context.Context, fn func(*LogReader) error) error {
	r, err := s.readLog()
	if err == nil {
		err = ctx.Err()
	}
	if err != nil {
		return fmt.Errorf("read the evidence log: %w", err)
	}
	return fn(r)
}

func (s *Store) readLog() (*LogReader, error) {
	r := &LogReader{s: s}
	err := s.view(func(tx *bolt.Tx) (err error) {
		if r.head, err = readLogHead(tx); err != nil {
			return err
		}
		if r.head == nil {
			return ErrNoEvidence
		}
		copy(r.id[:], tx.Bucket([]byte(bucketMeta)).Get([]byte(metaID)))
		err = eachLogValue(tx.Bucket([]byte(bucketLog)), func(first int64, value []byte) error {
			return r.take(first, slices.Clone(value))
		})
		if err == nil && int64(len(r.leaves)) != r.head.size {
			err = fmt.Errorf("%w: the evidence log has %d leaves and its head says %d", ErrDamaged, len(r.leaves), r.head.size)
		}
		if err != nil {
			return err
		}
		groups, segments := records(tx)
		r.groups, r.segments = cloneAll(groups), cloneAll(segments)
		if r.refs, err = allBlocks(tx); err != nil {
			return err
		}
		if r.used, err = describe(tx); err != nil {
			return err
		}
		return eachEventValue(tx, func(day, key, value []byte) error {
			r.lists = append(r.lists, eventList{hour: keyHour(day, key), value: slices.Clone(value)})
			return nil
		})
	})
	return r, err
}

func cloneAll(in [][]byte) [][]byte {
	out := make([][]byte, len(in))
	for i := range in {
		out[i] = slices.Clone(in[i])
	}
	return out
}

// take takes a value of entries.
func (r *LogReader) take(first int64, value []byte) error {
	if first != int64(len(r.leaves)) {
		return fmt.Errorf("%w: the evidence log goes on at leaf %d, not %d", ErrDamaged, first, len(r.leaves))
	}
	body, err := unwrap(value, typeLog)
	if err != nil {
		return err
	}
	return eachLogLeaf(body, func(l *logLeaf) error {
		r.leaves = append(r.leaves, *l)
		return nil
	})
}

// Size is the number of leaves.
func (r *LogReader) Size() int64 { return int64(len(r.leaves)) }

// Checkpoint is the text of the newest checkpoint, which is of this size.
func (r *LogReader) Checkpoint() []byte { return slices.Clone(r.head.text) }

// Kind is the kind of a leaf. It reads nothing.
func (r *LogReader) Kind(i int64) byte { return r.leaves[i].kind }

// Leaf is the bytes of a leaf, from what the store holds and as the log has
// their hash; else the error wraps ErrDamaged.
func (r *LogReader) Leaf(i int64) (data []byte, err error) {
	if i < 0 || i >= r.Size() {
		return nil, fmt.Errorf("leaf %d of the evidence log: %w: it has %d", i, ErrUnknown, r.Size())
	}
	l := &r.leaves[i]
	switch l.kind {
	case LeafBlock:
		data, err = r.blockLeaf(l.ref)
	case LeafEvent:
		if err = r.loadEvents(); err == nil {
			data = r.events[l.seq]
		}
	default:
		data = slices.Clone(l.data)
	}
	if err == nil && data == nil {
		err = fmt.Errorf("%w: it is not there", ErrDamaged)
	}
	if err == nil && evidence.LeafHash(data) != l.hash {
		err = fmt.Errorf("%w: it is not as it was logged", ErrDamaged)
	}
	if err != nil {
		return nil, fmt.Errorf("leaf %d of the evidence log: %w", i, err)
	}
	return data, nil
}

// blockLeaf is the leaf of a block, which may have been dropped.
func (r *LogReader) blockLeaf(ref blockRef) ([]byte, error) {
	value, err := r.block(ref)
	if err != nil {
		return nil, err
	}
	if value == nil {
		return r.droppedLeaf(ref)
	}
	h, err := openBlock(value)
	if err == nil {
		err = checkRef(ref, h)
	}
	if err != nil {
		return nil, err
	}
	return blockLeaf(h), nil
}

func (r *LogReader) block(ref blockRef) (value []byte, err error) {
	err = r.s.view(func(tx *bolt.Tx) error {
		value, err = readBlock(tx, ref)
		return err
	})
	return value, err
}

// droppedLeaf is what stays of a dropped block, nil where there is nothing.
func (r *LogReader) droppedLeaf(ref blockRef) ([]byte, error) {
	if data := r.dropped[ref]; data != nil {
		return data, nil
	}
	r.dropped = map[blockRef][]byte{} // anew: it may have been dropped since
	err := r.s.view(func(tx *bolt.Tx) error {
		return r.s.eachKeptLeaf(tx, func(l *BlockLeaf, data []byte) { r.dropped[l.ref()] = data })
	})
	return r.dropped[ref], err
}

// loadEvents makes the leaves of all events that can be read.
func (r *LogReader) loadEvents() error {
	if r.events != nil {
		return nil
	}
	r.events = map[uint64][]byte{}
	for _, list := range r.lists {
		err := r.s.eachEvent(list.value, func(e Event) { r.events[e.Seq] = eventLeaf(&e) })
		if err != nil && !errors.Is(err, ErrDamaged) {
			return err
		}
	}
	return nil
}

// Prove returns the hashes with which evidence.Root finds the root from the
// revealed leaves.
func (r *LogReader) Prove(revealed []int64) ([]tlog.Hash, error) {
	return evidence.Prove(r.Size(), revealed, r)
}

// ProveSince proves that the log begins with that of an older size.
func (r *LogReader) ProveSince(older int64) ([]tlog.Hash, error) {
	return evidence.ProveTree(r.Size(), older, r)
}

// ReadHashes implements tlog.HashReader. The store keeps the hashes of leaves
// alone; those above are made here, once.
func (r *LogReader) ReadHashes(indexes []int64) ([]tlog.Hash, error) {
	if r.levels == nil {
		level := make([]tlog.Hash, len(r.leaves))
		for i := range r.leaves {
			level[i] = r.leaves[i].hash
		}
		for r.levels = append(r.levels, level); len(level) > 1; r.levels = append(r.levels, level) {
			below := level
			level = make([]tlog.Hash, len(below)/2)
			for i := range level {
				level[i] = tlog.NodeHash(below[2*i], below[2*i+1])
			}
		}
	}
	out := make([]tlog.Hash, len(indexes))
	for i, at := range indexes {
		level, n := tlog.SplitStoredHashIndex(at)
		if level >= len(r.levels) || n >= int64(len(r.levels[level])) {
			return nil, fmt.Errorf("hash %d of level %d: %w", n, level, ErrUnknown)
		}
		out[i] = r.levels[level][n]
	}
	return out, nil
}

// Canonical writes the canonical bytes of a block's leaf: those of its groups
// in the leaf's order, each its times and then its channels. They are checked
// against the leaf. A block that was dropped is ErrDropped.
func (r *LogReader) Canonical(i int64, w io.Writer) error {
	canonical, err := r.canonical(i)
	if err == nil {
		_, err = w.Write(canonical)
	}
	if err != nil {
		return fmt.Errorf("block of leaf %d: %w", i, err)
	}
	return nil
}

func (r *LogReader) canonical(i int64) ([]byte, error) {
	if i < 0 || i >= r.Size() || r.leaves[i].kind != LeafBlock {
		return nil, fmt.Errorf("%w: it is no block", ErrUnknown)
	}
	value, err := r.block(r.leaves[i].ref)
	if err != nil {
		return nil, err
	}
	if value == nil {
		return nil, ErrDropped
	}
	h, err := openBlock(value)
	if err == nil {
		err = checkRef(r.leaves[i].ref, h)
	}
	if err != nil {
		return nil, err
	}
	data, canonical, err := decodeLeaf(h, &columnDecoder{dec: r.s.dec}, nil)
	if err == nil && evidence.LeafHash(data) != r.leaves[i].hash {
		err = fmt.Errorf("%w: it is not as it was logged", ErrDamaged)
	}
	return canonical, err
}

// decodeLeaf decodes a block and compares its readings with the hashes in its
// head. It returns the block's leaf, and its canonical bytes in dst's memory.
func decodeLeaf(h *blockHead, d *columnDecoder, dst []byte) (data, canonical []byte, err error) {
	data = blockLeaf(h)
	leaf, err := ReadLeaf(data)
	if err != nil {
		return nil, nil, err
	}
	n := 0
	for i := range leaf.Block.Groups {
		n += leaf.Block.Groups[i].canonicalSize()
	}
	if canonical, err = appendCanonical(slices.Grow(dst[:0], n), h, d); err == nil {
		err = leaf.Block.Check(canonical)
	}
	return data, canonical, err
}

// appendCanonical decodes a block to its canonical bytes.
func appendCanonical(canon []byte, h *blockHead, d *columnDecoder) ([]byte, error) {
	var g groupRows
	for i := range h.groups {
		if err := g.decode(d, h, &h.groups[i], allChannels, true); err != nil {
			return canon, err
		}
		for i := range g.rows {
			canon = binary.LittleEndian.AppendUint64(canon, uint64(g.time[0][i]))
			canon = binary.LittleEndian.AppendUint64(canon, uint64(g.time[1][i]))
			canon = binary.LittleEndian.AppendUint64(canon, uint64(g.time[2][i]))
			canon = binary.LittleEndian.AppendUint32(canon, uint32(g.time[3][i]))
			canon = append(canon, byte(g.time[4][i]))
		}
		for c := range g.values {
			for _, v := range g.values[c] {
				canon = binary.LittleEndian.AppendUint64(canon, uint64(v))
			}
			for _, q := range g.quality[c] {
				canon = append(canon, byte(q))
			}
		}
	}
	return canon, nil
}

// State is what the last seal's StateHash is over: the records of all groups,
// then of all segments.
func (r *LogReader) State() (groups, segments [][]byte) { return r.groups, r.segments }

// Text is a text that an event names by its hash, see Store.Text.
func (r *LogReader) Text(hash string) ([]byte, error) { return r.s.Text(hash) }
