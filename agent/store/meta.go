package store

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"slices"
	"strings"

	bolt "go.etcd.io/bbolt"
)

func metaUint(tx *bolt.Tx, key string) uint64 {
	v := tx.Bucket([]byte(bucketMeta)).Get([]byte(key))
	if len(v) != 8 {
		return 0
	}
	return binary.LittleEndian.Uint64(v)
}

func putMetaUint(tx *bolt.Tx, key string, v uint64) error {
	return tx.Bucket([]byte(bucketMeta)).Put([]byte(key), binary.LittleEndian.AppendUint64(nil, v))
}

// putMoved keeps from where on pieces go by labels that were put right since.
func putMoved(tx *bolt.Tx, from uint64) error {
	if from == 0 {
		return tx.Bucket([]byte(bucketMeta)).Delete([]byte(metaMovedFrom))
	}
	return putMetaUint(tx, metaMovedFrom, from)
}

// sumMeta renews the checksums of the values in meta, which have none of their
// own. It is the end of every transaction.
func sumMeta(tx *bolt.Tx) error {
	meta := tx.Bucket([]byte(bucketMeta))
	var body []byte
	err := meta.ForEach(func(k, v []byte) error {
		if string(k) != metaSums {
			body = binary.LittleEndian.AppendUint32(appendString(body, string(k)), sumOf(k, v))
		}
		return nil
	})
	if err != nil {
		return err
	}
	sums := wrap(nil, typeSums, body)
	if bytes.Equal(meta.Get([]byte(metaSums)), sums) {
		return nil
	}
	return meta.Put([]byte(metaSums), sums)
}

func sumOf(key, value []byte) uint32 {
	return crc32.Update(crc32.Checksum(key, castagnoli), castagnoli, value)
}

// damagedMeta names the values of meta that are not as they were kept, or are
// gone, or were never kept. A file of an earlier version has no checksums: then
// nothing is known.
func damagedMeta(meta map[string][]byte) (bad []string) {
	sums := meta[metaSums]
	if sums == nil {
		return nil
	}
	body, err := unwrap(sums, typeSums)
	if err != nil {
		return []string{metaSums}
	}
	kept := map[string]bool{}
	for r := (reader{b: body}); len(r.b) > 0; {
		key := r.string()
		sum := r.take(4)
		if r.bad {
			return []string{metaSums}
		}
		kept[key] = true
		value, ok := meta[key]
		if !ok || sumOf([]byte(key), value) != binary.LittleEndian.Uint32(sum) {
			bad = append(bad, key)
		}
	}
	for key := range meta {
		if key != metaSums && !kept[key] {
			bad = append(bad, key)
		}
	}
	slices.Sort(bad)
	return bad
}

func metaDamage(bad []string) error {
	if len(bad) == 0 {
		return nil
	}
	return fmt.Errorf("%w: not as they were kept in meta: %q", ErrDamaged, strings.Join(bad, ", "))
}

// checkMeta compares the values of meta with their checksums.
func checkMeta(tx *bolt.Tx) error {
	b := tx.Bucket([]byte(bucketMeta))
	if b == nil {
		return fmt.Errorf("%w: bucket %q is missing", ErrDamaged, bucketMeta)
	}
	meta := map[string][]byte{}
	err := b.ForEach(func(k, v []byte) error {
		meta[string(k)] = v
		return nil
	})
	if err != nil {
		return err
	}
	return metaDamage(damagedMeta(meta))
}
