package store

import (
	"encoding/binary"
	"slices"

	bolt "go.etcd.io/bbolt"
)

// The buckets of the database. Blocks, cells, pieces and events have one
// bucket a day inside, so that retention drops small whole buckets.
const (
	bucketMeta     = "meta"
	bucketGroups   = "groups"
	bucketSegments = "segments"
	bucketBlocks   = "blocks"
	bucketCells    = "cells"
	bucketPieces   = "pieces"
	bucketEvents   = "events"
	bucketLeaves   = "leaves" // made when the first day is dropped
	bucketTexts    = "texts"  // made with the first text
	bucketLog      = "log"    // made with the first leaf

	// formatVersion: 1 and 2 are read too; the first seal makes it 3.
	formatVersion = 3

	metaVersion      = "version"
	metaID           = "id"
	metaSealedScan   = "sealed_seq"
	metaSealedEvent  = "sealed_event"
	metaFailures     = "failures"
	metaRawFrom      = "raw_from"
	metaSummarySeq   = "summary_seq"
	metaSummaryState = "summary_state"
	metaMovedFrom    = "moved_from" // see Store.movedFrom
	metaSums         = "sums"       // see sumMeta
	metaUntold       = "untold"     // events of a salvage, until a seal
)

func allBuckets() []string {
	return []string{bucketMeta, bucketGroups, bucketSegments, bucketBlocks, bucketCells, bucketPieces, bucketEvents}
}

// append64 appends a number so that byte order is number order.
func append64(b []byte, v int64) []byte {
	return binary.BigEndian.AppendUint64(b, uint64(v)^(1<<63))
}

func get64(b []byte) int64 { return int64(binary.BigEndian.Uint64(b) ^ (1 << 63)) }

func hourOf(wallMS int64) int64 { return floorTo(wallMS, hourMS) / hourMS }
func dayOf(hour int64) int64    { return floorTo(hour, 24) / 24 }

func dayKey(day int64) []byte { return append64(nil, day) }

// blockKey: hour 8, device 4, first sequence number 8, last 8.
const blockKeyLen = 28

func blockKey(h *blockHead) []byte {
	k := append64(make([]byte, 0, blockKeyLen), h.hour)
	k = binary.BigEndian.AppendUint32(k, h.deviceNo)
	k = binary.BigEndian.AppendUint64(k, h.firstSeq)
	return binary.BigEndian.AppendUint64(k, h.lastSeq)
}

// cellKey: level 1, device 4, start of the span in hours 8.
func cellKey(l level, deviceNo uint32, spanStartMS int64) []byte {
	k := append(make([]byte, 0, 13), l.number)
	k = binary.BigEndian.AppendUint32(k, deviceNo)
	return append64(k, hourOf(spanStartMS))
}

// packKey: hour 8, sequence number 8, then what tells packs of one seal apart.
func packKey(hour int64, seq uint64, name string) []byte {
	k := append64(make([]byte, 0, 16+len(name)), hour)
	k = binary.BigEndian.AppendUint64(k, seq)
	return append(k, name...)
}

// dayBucket returns the bucket of a day inside a bucket, or nil.
func dayBucket(tx *bolt.Tx, name string, day int64) *bolt.Bucket {
	b := tx.Bucket([]byte(name))
	if b == nil {
		return nil
	}
	return b.Bucket(dayKey(day))
}

// makeDayBucket returns the bucket of a day, made if need be. Keys come nearly
// in order, so pages are filled further than the half that bbolt leaves for
// keys that come in between.
func makeDayBucket(tx *bolt.Tx, name string, day int64) (*bolt.Bucket, error) {
	b, err := tx.Bucket([]byte(name)).CreateBucketIfNotExists(dayKey(day))
	if err != nil {
		return nil, err
	}
	b.FillPercent = 0.9
	return b, nil
}

// makeTidyDay is makeDayBucket for values that come one an hour and are of a
// third of a page or so: there bbolt splits a page of five into two and three,
// and no more come to the two. So when a day begins, the one before it is put
// in anew, all at once and with full pages.
func makeTidyDay(tx *bolt.Tx, name string, day int64) (*bolt.Bucket, error) {
	if dayBucket(tx, name, day) == nil {
		c := tx.Bucket([]byte(name)).Cursor()
		k, _ := c.Seek(dayKey(day))
		if k != nil {
			k, _ = c.Prev()
		} else {
			k, _ = c.Last()
		}
		if k != nil {
			if err := tidyDay(tx.Bucket([]byte(name)), slices.Clone(k)); err != nil {
				return nil, err
			}
		}
	}
	return makeDayBucket(tx, name, day)
}

func tidyDay(top *bolt.Bucket, day []byte) error {
	var all [][2][]byte
	err := top.Bucket(day).ForEach(func(k, v []byte) error {
		all = append(all, [2][]byte{slices.Clone(k), slices.Clone(v)})
		return nil
	})
	if err == nil {
		err = top.DeleteBucket(day)
	}
	if err != nil {
		return err
	}
	b, err := top.CreateBucket(day)
	if err != nil {
		return err
	}
	b.FillPercent = 1
	for _, kv := range all {
		if err := b.Put(kv[0], kv[1]); err != nil {
			return err
		}
	}
	return nil
}

// eachDay calls fn for the day buckets of name from day first to last, in
// order or backwards, until fn returns false.
func eachDay(tx *bolt.Tx, name string, first, last int64, backwards bool, fn func(day int64, b *bolt.Bucket) (bool, error)) error {
	top := tx.Bucket([]byte(name))
	if top == nil {
		return nil
	}
	c := top.Cursor()
	step := c.Next
	k, _ := c.Seek(dayKey(first))
	if backwards {
		step = c.Prev
		k, _ = c.Seek(dayKey(last))
		if k == nil {
			k, _ = c.Last()
		} else if get64(k) > last {
			k, _ = c.Prev()
		}
	}
	for ; k != nil; k, _ = step() {
		day := get64(k)
		if !backwards && day > last || backwards && day < first {
			return nil
		}
		b := top.Bucket(k)
		if b == nil {
			continue
		}
		more, err := fn(day, b)
		if err != nil || !more {
			return err
		}
	}
	return nil
}
