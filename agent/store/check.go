package store

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"os"
)

// fileCheck is what a look at every page, and where wanted at every value, of
// a database found.
type fileCheck struct {
	s            *Store // nil: the tree only
	f            *os.File
	buf          []byte
	refs         []blockRef     // blocks that the tree knows
	metas        marks          // sealed_seq and sealed_event as they stand
	newest       marks          // of the blocks and events
	head         bool           // one of its two heads is not valid
	id, failures []byte         // of meta, where they are there
	live         map[int64]bool // where in the file the blocks and events of the tree begin
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
	c := &fileCheck{s: s, f: f, live: map[int64]bool{}}
	w := pageWalk{f: f, size: info.Size()}
	if s != nil {
		w.visit = c.value
	}
	err = w.run()
	c.head = w.badHead
	if s == nil || err != nil {
		return c, err
	}
	// these two have no checksum, and follow from what is there
	if len(c.refs) > 0 && c.metas.scan != c.newest.scan {
		return c, fmt.Errorf("%w: scans are sealed to %d, and it says %d", ErrDamaged, c.newest.scan, c.metas.scan)
	}
	if c.newest.event > 0 && c.metas.event != c.newest.event {
		return c, fmt.Errorf("%w: events are sealed to %d, and it says %d", ErrDamaged, c.newest.event, c.metas.event)
	}
	return c, nil
}

// value checks the value of a key.
func (c *fileCheck) value(top string, key []byte, at, n int64) error {
	typ := map[string]byte{bucketGroups: typeGroup, bucketSegments: typeSegment, bucketBlocks: typeBlock, bucketCells: typeCells,
		bucketPieces: typePieces, bucketEvents: typeEvents, bucketTexts: typeText}[top]
	var ref blockRef
	if top == bucketBlocks {
		if len(key) != blockKeyLen {
			return fmt.Errorf("a key of %d bytes", len(key))
		}
		ref = refOf(key)
		c.refs = append(c.refs, ref)
		c.newest.scan = max(c.newest.scan, ref.lastSeq)
	}
	if top != bucketMeta && typ == 0 {
		return nil // of a newer version
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
		c.meta(key, b)
		return nil
	}
	_, err := unwrap(b, typ)
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
	if err == nil && (top == bucketBlocks || top == bucketEvents) {
		c.live[at] = true
	}
	if errors.Is(err, ErrNewer) {
		return nil // the format's version is looked at when the file is opened
	}
	if err != nil && top == bucketBlocks {
		return fmt.Errorf("the block of the hour from %s: %w", stamp(ref.hour*hourMS), err)
	}
	return err
}

func (c *fileCheck) meta(key, value []byte) {
	switch string(key) {
	case metaID:
		c.id = bytes.Clone(value)
	case metaFailures:
		c.failures = bytes.Clone(value)
	}
	if len(value) != 8 {
		return
	}
	switch v := binary.LittleEndian.Uint64(value); {
	case bytes.Equal(key, []byte(metaSealedScan)):
		c.metas.scan = v
	case bytes.Equal(key, []byte(metaSealedEvent)):
		c.metas.event = v
	}
}

// refOf takes a block's key apart.
func refOf(k []byte) blockRef {
	return blockRef{hour: get64(k), deviceNo: binary.BigEndian.Uint32(k[8:]),
		firstSeq: binary.BigEndian.Uint64(k[12:]), lastSeq: binary.BigEndian.Uint64(k[20:])}
}
