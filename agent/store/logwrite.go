package store

import (
	"bytes"
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"math/bits"
	"slices"

	bolt "go.etcd.io/bbolt"
	"golang.org/x/mod/sumdb/tlog"

	"loadscribe/agent/evidence"
)

// The evidence log is one bucket: values of entries under the number of their
// first leaf, and one of its head. A transaction renews the last value and the
// head, which stand in one page.
const (
	logHeadKey = "head"
	logOldKey  = "old" // checkpoint of the file that a salvage set aside, until the log begins
	// logTarget is where a value is followed by the next: four fit a page.
	logTarget = 980
)

// logHead is where the log stands.
type logHead struct {
	size     int64
	frontier []tlog.Hash // of the complete subtrees, the largest first
	state    [sha256.Size]byte
	key      ed25519.PublicKey
	from, to int64  // wall times of the first and last reading
	text     []byte // the newest checkpoint
}

func (h *logHead) encode() []byte {
	b := binary.AppendUvarint(nil, uint64(h.size))
	for _, f := range h.frontier {
		b = append(b, f[:]...)
	}
	b = append(b, h.state[:]...)
	b = append(b, h.key...)
	b = appendInt(appendInt(b, h.from), h.to)
	return wrap(nil, typeLogHead, appendBytes(b, h.text))
}

func decodeLogHead(value []byte) (*logHead, error) {
	body, err := unwrap(value, typeLogHead)
	if err != nil {
		return nil, err
	}
	r := reader{b: body}
	h := &logHead{size: int64(r.uint())}
	for range bits.OnesCount64(uint64(h.size)) {
		var f tlog.Hash
		copy(f[:], r.take(tlog.HashSize))
		h.frontier = append(h.frontier, f)
	}
	copy(h.state[:], r.take(sha256.Size))
	h.key = slices.Clone(r.take(ed25519.PublicKeySize))
	h.from, h.to = r.int(), r.int()
	h.text = slices.Clone(r.take(r.uint()))
	if r.bad || len(r.b) != 0 || h.size < 1 {
		return nil, fmt.Errorf("%w: head of the evidence log", ErrDamaged)
	}
	return h, nil
}

// add takes the hash of the next leaf.
func (h *logHead) add(leaf tlog.Hash) {
	h.frontier = append(h.frontier, leaf)
	for n := h.size; n&1 == 1; n >>= 1 {
		last := len(h.frontier) - 1
		h.frontier[last-1] = tlog.NodeHash(h.frontier[last-1], h.frontier[last])
		h.frontier = h.frontier[:last]
	}
	h.size++
}

func (h *logHead) root() tlog.Hash {
	root := h.frontier[len(h.frontier)-1]
	for i := len(h.frontier) - 2; i >= 0; i-- {
		root = tlog.NodeHash(h.frontier[i], root)
	}
	return root
}

// readLogHead returns nil where the log has not begun.
func readLogHead(tx *bolt.Tx) (*logHead, error) {
	b := tx.Bucket([]byte(bucketLog))
	if b == nil {
		return nil, nil
	}
	value := b.Get([]byte(logHeadKey))
	if value == nil {
		return nil, nil
	}
	return decodeLogHead(value)
}

// logWriter adds leaves in a transaction.
type logWriter struct {
	s      *Store
	tx     *bolt.Tx
	bucket *bolt.Bucket
	head   *logHead
	wallMS int64
	opened int64  // leaves there were
	from   int64  // first leaf of the value that is being filled
	body   []byte // of it
}

// addition is what a transaction added and deleted.
type addition struct {
	firstScan, lastScan uint64
	scans               uint64
	blocks              []sealedBlock // their values, or leaves alone
	events              []Event       // in the order of their numbers
	dropped             []DroppedLeaf
}

// openLog makes the log ready to take what a transaction changes. It is called
// before anything is deleted: where the log has not begun, or was begun by an
// older format, all that is there is adopted first.
func (s *Store) openLog(tx *bolt.Tx) (*logWriter, error) {
	version := metaUint(tx, metaVersion)
	if err := putMetaUint(tx, metaVersion, formatVersion); err != nil {
		return nil, err
	}
	b, err := tx.CreateBucketIfNotExists([]byte(bucketLog))
	if err != nil {
		return nil, err
	}
	b.FillPercent = 1
	w := &logWriter{s: s, tx: tx, bucket: b}
	_, w.wallMS = s.o.Clock.Now()
	if w.head, err = readLogHead(tx); err != nil {
		return nil, err
	}
	if w.head == nil {
		return w, w.adopt(version)
	}
	w.opened = w.head.size
	if k, v := lastLogValue(b); k != nil {
		body, err := unwrap(v, typeLog)
		if err != nil {
			return nil, err
		}
		w.from, w.body = int64(binary.BigEndian.Uint64(k)), slices.Clone(body)
	}
	return w, nil
}

// lastLogValue is the last value of entries.
func lastLogValue(b *bolt.Bucket) (key, value []byte) {
	c := b.Cursor()
	c.Seek([]byte{0x40}) // behind all numbers
	for key, value = c.Prev(); key != nil && len(key) != 8; key, value = c.Prev() {
	}
	return key, value
}

// entry appends an entry, whose hashes are already in the head; first is the
// number of its first leaf.
func (w *logWriter) entry(first int64, entry []byte) error {
	if len(w.body) > 0 && len(w.body)+len(entry) > logTarget {
		if err := w.flush(); err != nil {
			return err
		}
		w.body = nil
	}
	if len(w.body) == 0 {
		w.from = first
	}
	w.body = append(w.body, entry...)
	return nil
}

func (w *logWriter) flush() error {
	return w.bucket.Put(binary.BigEndian.AppendUint64(nil, uint64(w.from)), wrap(nil, typeLog, w.body))
}

// leaf appends a leaf that is an entry of its own.
func (w *logWriter) leaf(data []byte) error {
	first := w.head.size
	w.head.add(evidence.LeafHash(data))
	return w.entry(first, appendBytes(nil, data))
}

// add appends the leaves of what the transaction, which is otherwise complete,
// added and deleted, and signs the new head; nothing if that is nothing and
// groups and segments are as they were.
func (w *logWriter) add(a *addition) error {
	state := stateOf(w.tx)
	same := StateHash(nil, nil)
	if w.head != nil {
		same = w.head.state
	}
	if len(a.blocks)+len(a.events)+len(a.dropped) == 0 && state == same {
		return w.close()
	}
	if w.head == nil {
		if err := w.begin(&BeginLeaf{Format: formatVersion}); err != nil {
			return err
		}
	}
	if !bytes.Equal(w.head.key, w.s.key.Public()) {
		if err := w.newKey(); err != nil {
			return err
		}
	}
	if err := w.seal(a, state); err != nil {
		return err
	}
	return w.close()
}

func (w *logWriter) newKey() error {
	w.head.key = w.s.key.Public()
	return w.leaf(append([]byte{LeafKey}, w.head.key...))
}

// seal appends a seal and its leaves.
func (w *logWriter) seal(a *addition, state [sha256.Size]byte) error {
	l := SealLeaf{WallMS: w.wallMS, FirstScan: a.firstScan, LastScan: a.lastScan, Scans: a.scans, FirstEvent: 1,
		Blocks: uint64(len(a.blocks)), Events: uint64(len(a.events)), Dropped: uint64(len(a.dropped)), State: state}
	if a.scans == 0 {
		l.FirstScan, l.LastScan = 1, 0
	}
	if n := len(a.events); n > 0 {
		l.FirstEvent, l.LastEvent = a.events[0].Seq, a.events[n-1].Seq
	}
	first := w.head.size
	data := appendSeal(nil, &l)
	w.head.add(evidence.LeafHash(data))
	entry := appendBytes(nil, data)
	from, to := int64(maxWallMS), int64(-maxWallMS)
	last := blockRef{firstSeq: l.FirstScan}
	for _, b := range a.blocks {
		hash := evidence.LeafHash(b.leaf)
		w.head.add(hash)
		r := refOf(b.key)
		entry = appendInt(entry, r.hour-last.hour)
		entry = binary.AppendUvarint(entry, uint64(r.deviceNo))
		entry = appendInt(entry, int64(r.firstSeq-last.firstSeq))
		entry = binary.AppendUvarint(entry, r.lastSeq-r.firstSeq)
		entry = append(entry, hash[:]...)
		from, to, last = min(from, b.fromMS), max(to, b.toMS), r
	}
	seq := l.FirstEvent
	for i := range a.events {
		hash := evidence.LeafHash(eventLeaf(&a.events[i]))
		w.head.add(hash)
		entry = append(binary.AppendUvarint(entry, a.events[i].Seq-seq), hash[:]...)
		seq = a.events[i].Seq
	}
	if from <= to {
		if w.head.from == 0 && w.head.to == 0 {
			w.head.from = from
		}
		w.head.to = to
	}
	w.head.state = state
	if err := w.entry(first, entry); err != nil {
		return err
	}
	for i := range a.dropped {
		if err := w.leaf(appendDropped(nil, &a.dropped[i])); err != nil {
			return err
		}
	}
	return nil
}

// close signs the head and stores it, where it is a new one.
func (w *logWriter) close() error {
	if w.head == nil || w.head.size == w.opened {
		return nil
	}
	var id [16]byte
	copy(id[:], w.tx.Bucket([]byte(bucketMeta)).Get([]byte(metaID)))
	c := evidence.Checkpoint{Origin: originOf(id), Size: w.head.size, Root: w.head.root(), MadeMS: w.wallMS,
		FromMS: w.head.from, ToMS: w.head.to}
	var err error
	if w.head.text, err = c.Sign(w.s.key); err != nil {
		return err
	}
	if err := w.flush(); err != nil {
		return err
	}
	return w.bucket.Put([]byte(logHeadKey), w.head.encode())
}

func originOf(id [16]byte) string { return fmt.Sprintf("loadscribe/%x", id) }

// records are the records of groups and segments. Where one is damaged, the
// copies stand in for it; one that they have not either is left out.
func records(tx *bolt.Tx) (groups, segments [][]byte) {
	var copied map[string][]byte // by bucket and key
	list := func(name string, typ byte) (out [][]byte) {
		b := tx.Bucket([]byte(name))
		// what cannot be walked at all is damage that every start finds
		_ = b.ForEach(func(k, v []byte) error {
			body, err := unwrap(v, typ)
			if err != nil {
				if copied == nil {
					copied = copiedRecords(tx)
				}
				if body = copied[name+string(k)]; body == nil {
					return nil
				}
			}
			out = append(out, body)
			return nil
		})
		return out
	}
	return list(bucketGroups, typeGroup), list(bucketSegments, typeSegment)
}

func copiedRecords(tx *bolt.Tx) map[string][]byte {
	out := map[string][]byte{}
	for _, name := range copyBuckets() {
		if b := tx.Bucket([]byte(name)); b != nil {
			eachCopied(b.Get([]byte(copyKey)), func(_ int, typ byte, body []byte) {
				if key := recordKey(typ, body); key != "" {
					out[key] = body
				}
			})
		}
	}
	return out
}

func recordKey(typ byte, body []byte) string {
	switch typ {
	case typeGroup:
		if g, err := decodeGroup(body); err == nil {
			return bucketGroups + string(groupKey(g))
		}
	case typeSegment:
		if seg, err := decodeSegment(body); err == nil {
			return bucketSegments + string(binary.BigEndian.AppendUint32(nil, seg.Number))
		}
	}
	return ""
}

func stateOf(tx *bolt.Tx) [sha256.Size]byte { return StateHash(records(tx)) }
