package store

import (
	"bytes"
	"errors"
	"path/filepath"
	"strings"
	"testing"

	bolt "go.etcd.io/bbolt"

	"loadscribe/agent/evidence"
	"loadscribe/agent/scan"
)

// edit changes a closed store's database as somebody with a tool would who
// knows the format: checksums are made right again.
func edit(t *testing.T, dir string, fn func(tx *bolt.Tx) error) {
	t.Helper()
	db, err := bolt.Open(filepath.Join(dir, databaseName), 0o644, nil)
	if err != nil {
		t.Fatal(err)
	}
	err = db.Update(func(tx *bolt.Tx) error { return errors.Join(fn(tx), sumMeta(tx)) })
	if err = errors.Join(err, db.Close()); err != nil {
		t.Fatal(err)
	}
}

// firstBlock is the first block that is kept.
func firstBlock(tx *bolt.Tx) (b *bolt.Bucket, ref blockRef) {
	refs, err := allBlocks(tx)
	if err != nil || len(refs) == 0 {
		panic("no blocks")
	}
	return dayBucket(tx, bucketBlocks, dayOf(refs[0].hour)), refs[0]
}

// alterBlock encodes the first block anew with one value changed, its hashes
// right again.
func alterBlock(t *testing.T, tx *bolt.Tx) error {
	b, ref := firstBlock(tx)
	_, dec := testEncoder(t)
	d, err := describe(tx)
	if err != nil {
		return err
	}
	groups := map[uint32]*scan.Group{}
	for id, g := range d.groups {
		groups[id] = g.group
	}
	scans, err := decodeBlock(dec, b.Get(ref.key()), groups)
	if err != nil {
		return err
	}
	var rows []*scan.Scan
	for i := range scans {
		rows = append(rows, &scans[i])
	}
	rows[5].Values[0]++
	var enc blockEncoder
	return b.Put(ref.key(), enc.encode(nil, ref.deviceNo, ref.hour, rows))
}

func alterEvents(t *testing.T, tx *bolt.Tx, change func([]Event) []Event) error {
	s, err := newStore(t.TempDir(), Options{})
	if err != nil {
		return err
	}
	defer s.dec.Close()
	top := tx.Bucket([]byte(bucketEvents))
	day, _ := top.Cursor().First()
	b := top.Bucket(day)
	c := b.Cursor()
	for k, v := c.First(); k != nil; k, v = c.Next() {
		var list []Event
		if err := s.eachEvent(v, func(e Event) { list = append(list, e) }); err != nil {
			return err
		}
		if !strings.HasPrefix(list[0].Kind, "note") {
			continue
		}
		var raw []byte
		for _, e := range change(list) {
			raw = appendEvent(raw, &e)
		}
		return b.Put(bytes.Clone(k), wrap(nil, typeEvents, appendList(nil, raw, s.enc)))
	}
	return errors.New("no notes")
}

func leafHashOf(tx *bolt.Tx, ref blockRef) ([32]byte, error) {
	h, err := openBlock(dayBucket(tx, bucketBlocks, dayOf(ref.hour)).Get(ref.key()))
	if err != nil {
		return [32]byte{}, err
	}
	return evidence.LeafHash(blockLeaf(h)), nil
}

// alterLog changes the value of the log that holds some bytes.
func alterLog(tx *bolt.Tx, change func(body []byte), holds []byte) error {
	b := tx.Bucket([]byte(bucketLog))
	c := b.Cursor()
	for k, v := c.First(); len(k) == 8; k, v = c.Next() {
		if i := bytes.Index(v, holds); i >= 0 {
			body := bytes.Clone(v[envelopeSize:])
			change(body)
			return b.Put(bytes.Clone(k), wrap(nil, typeLog, body))
		}
	}
	return errors.New("the log does not hold it")
}

func alterHead(tx *bolt.Tx, change func(*logHead)) error {
	head, err := readLogHead(tx)
	if err != nil {
		return err
	}
	change(head)
	return tx.Bucket([]byte(bucketLog)).Put([]byte(logHeadKey), head.encode())
}

// cutBack takes the last seal off the log, and its head with it, but has no key
// to sign with.
func cutBack(_ *testing.T, tx *bolt.Tx) error {
	b := tx.Bucket([]byte(bucketLog))
	var leaves []*logLeaf
	var body []byte
	err := eachLogValue(b, func(_ int64, value []byte) error {
		body = bytes.Clone(value[envelopeSize:])
		return eachLogLeaf(body, func(l *logLeaf) error { leaves = append(leaves, l); return nil })
	})
	if err != nil {
		return err
	}
	last := len(leaves) - 1
	for leaves[last].kind != LeafSeal {
		last--
	}
	at := bytes.LastIndex(body, leaves[last].data)
	k, _ := lastLogValue(b)
	if err := b.Put(bytes.Clone(k), wrap(nil, typeLog, body[:at-1])); err != nil {
		return err
	}
	cut := &logHead{}
	for _, l := range leaves[:last] {
		cut.add(l.hash)
	}
	return alterHead(tx, func(h *logHead) { h.size, h.frontier = cut.size, cut.frontier })
}
