package store

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
)

// fileCheck is what a look at every page, and where wanted at every value, of
// a database found.
type fileCheck struct {
	s        *Store // nil: the tree only
	f        *os.File
	buf      []byte
	refs     []blockRef        // blocks that the tree knows
	metas    marks             // sealed_seq and sealed_event as they stand
	newest   marks             // of the blocks and events
	rawFrom  int64             // wall time
	version  uint64            // of the format; 0: not found
	head     bool              // one of its two heads is not valid
	metaAll  map[string][]byte // what meta has
	metaRest map[string][]byte // of that, what a salvage takes over
	rest     []treeValue       // of other buckets than blocks and events
	live     map[int64]bool    // where in the file the blocks, events and segments of the tree begin
}

// treeValue is where a value of the tree is in the file.
type treeValue struct {
	top, inner, key string
	at, n           int64
}

// checkTree checks the pages of a database; see pageWalk.
func checkTree(name string) error {
	_, err := checkFile(name, nil)
	return err
}

// checkFile checks the pages of a database and, where s is not nil, reads all
// values: each has its checksum, and blocks say where they belong.
func checkFile(name string, s *Store) (*fileCheck, error) {
	f, err := os.Open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return nil, err
	}
	c := &fileCheck{s: s, f: f, live: map[int64]bool{}, metaAll: map[string][]byte{}}
	w := pageWalk{f: f, size: info.Size()}
	if s != nil {
		w.visit = c.value
	}
	err = w.run()
	c.head = w.badHead
	bad := c.takeMeta()
	if c.version > formatVersion {
		// what looks damaged may be what this program does not know
		return c, newerFormat(c.version)
	}
	if s == nil || err != nil {
		return c, err
	}
	if err := metaDamage(bad); err != nil {
		return c, err
	}
	return c, c.marks()
}

// marks compares two numbers with what is there, since files of before have no
// checksums of them: too low, and numbers are given twice; too high, and the journal's are skipped.
func (c *fileCheck) marks() error {
	journal, err := readNumbers(c.s.o.FS, filepath.Join(c.s.dir, journalDir))
	if err != nil {
		return err
	}
	bad := func(says, have uint64, set *seqSet) bool {
		return have > 0 && (says < have || !set.before(says, have))
	}
	if bad(c.metas.scan, c.newest.scan, &journal.scans) {
		return fmt.Errorf("%w: scans are sealed to %d, and it says %d", ErrDamaged, c.newest.scan, c.metas.scan)
	}
	if bad(c.metas.event, c.newest.event, &journal.events) {
		return fmt.Errorf("%w: events are sealed to %d, and it says %d", ErrDamaged, c.newest.event, c.metas.event)
	}
	return nil
}

// typeIn is the type of the value that belongs under a key of a bucket; 0: any.
func typeIn(bucket string, key []byte) byte {
	switch {
	case slices.Contains(copyBuckets(), bucket):
		return typeCopy
	case bucket == bucketLog && string(key) == logHeadKey:
		return typeLogHead
	case bucket == bucketLog && string(key) == logOldKey:
		return typeLogOld
	case bucket == bucketLog:
		return typeLog
	}
	return map[string]byte{bucketGroups: typeGroup, bucketSegments: typeSegment, bucketBlocks: typeBlock, bucketCells: typeCells,
		bucketPieces: typePieces, bucketEvents: typeEvents, bucketTexts: typeText, bucketLeaves: typeLeaves}[bucket]
}

// value checks the value of a key.
func (c *fileCheck) value(top, inner string, key []byte, at, n int64) error {
	typ := typeIn(top, key)
	var ref blockRef
	if top == bucketBlocks {
		if len(key) != blockKeyLen {
			return fmt.Errorf("a key of %d bytes", len(key))
		}
		ref = refOf(key)
		c.refs = append(c.refs, ref)
		c.newest.scan = max(c.newest.scan, ref.lastSeq)
	}
	if n > maxEnvelope+envelopeSize {
		return fmt.Errorf("a value of %d bytes", n)
	}
	if int64(cap(c.buf)) < n {
		c.buf = make([]byte, n)
	}
	b := c.buf[:n]
	if _, err := c.f.ReadAt(b, at); err != nil {
		return err
	}
	if top == bucketMeta {
		c.metaAll[string(key)] = bytes.Clone(b)
		return nil
	}
	got, _, _, err := open(b)
	if err == nil && typ != 0 && got != typ {
		err = fmt.Errorf("%w: value of type %d where %d belongs", ErrDamaged, got, typ)
	}
	if typ == typeCopy { // also of a damaged one
		eachCopied(b, func(in int, _ byte, _ []byte) { c.live[at+int64(in)] = true })
	}
	switch {
	case err != nil:
	case top == bucketBlocks:
		var h *blockHead
		if h, err = openBlock(b); err == nil {
			err = checkRef(ref, h)
		}
	case top == bucketEvents:
		err = c.s.eachEvent(b, func(e Event) { c.newest.event = max(c.newest.event, e.Seq) })
	}
	if err == nil {
		c.whole(typ, treeValue{top, inner, string(key), at, n})
	}
	if errors.Is(err, ErrNewer) {
		return nil // the format's version is looked at when the file is opened
	}
	if err != nil && top == bucketBlocks {
		return fmt.Errorf("the block of the hour from %s: %w", stamp(ref.hour*hourMS), err)
	}
	return err
}

// whole notes a value that can be read, for a salvage.
func (c *fileCheck) whole(typ byte, v treeValue) {
	switch typ {
	case typeBlock, typeEvents, typeGroup, typeSegment:
		c.live[v.at] = true
	case typeCopy, typeLog: // made anew
	default:
		c.rest = append(c.rest, v)
	}
}

func newerFormat(version uint64) error {
	return fmt.Errorf("%w: format %d, this program knows %d; install the newer version", ErrNewer, version, formatVersion)
}

// takeMeta takes what meta has and is as it was kept, and names the rest.
func (c *fileCheck) takeMeta() (bad []string) {
	bad = damagedMeta(c.metaAll)
	good := maps.Clone(c.metaAll)
	for _, key := range bad {
		delete(good, key)
	}
	number := func(key string, otherwise uint64) uint64 {
		if v := good[key]; len(v) == 8 {
			return binary.LittleEndian.Uint64(v)
		}
		return otherwise
	}
	c.version = number(metaVersion, 0)
	c.rawFrom = int64(number(metaRawFrom, 0)) // blocks before it were dropped on purpose
	c.metas = marks{scan: number(metaSealedScan, 0), event: number(metaSealedEvent, 0)}
	if slices.Contains(bad, metaSealedScan) {
		c.metas.scan = c.newest.scan
	}
	if slices.Contains(bad, metaSealedEvent) {
		c.metas.event = c.newest.event
	}
	for _, key := range []string{metaVersion, metaSums, metaSealedScan, metaSealedEvent, metaSummarySeq, metaSummaryState, metaMovedFrom} {
		delete(good, key) // made anew
	}
	c.metaRest = good
	return bad
}

// keeps reports whether blocks of an hour are kept.
func (c *fileCheck) keeps(hour int64) bool { return c.rawFrom == 0 || hour >= hourOf(c.rawFrom) }

// refOf takes a block's key apart.
func refOf(k []byte) blockRef {
	return blockRef{hour: get64(k), deviceNo: binary.BigEndian.Uint32(k[8:]),
		firstSeq: binary.BigEndian.Uint64(k[12:]), lastSeq: binary.BigEndian.Uint64(k[20:])}
}
