package store

import (
	"io"

	bolt "go.etcd.io/bbolt"
)

// keepRest takes over what else the damaged file's tree still has and what
// cannot be made again: cells of hours whose readings are lost or were dropped,
// pieces of days before the first readings, other values by their keys.
func (s *Store) keepRest(f io.ReaderAt, found *findings) error {
	tree := found.tree
	firstDay := int64(maxWallMS / dayMS)
	for _, b := range found.blocks {
		firstDay = min(firstDay, dayOf(b.head.hour))
	}
	return s.db.Update(func(tx *bolt.Tx) error {
		for key, value := range tree.metaRest {
			if err := tx.Bucket([]byte(bucketMeta)).Put([]byte(key), value); err != nil {
				return err
			}
		}
		s.loadFailures(tx)
		s.rawFromMS = int64(metaUint(tx, metaRawFrom))
		for _, v := range tree.rest {
			switch v.top {
			case bucketGroups, bucketSegments, bucketTexts:
				continue // found by the search
			case bucketPieces:
				if len(v.inner) != 8 || get64([]byte(v.inner)) >= firstDay {
					continue // follow from the readings
				}
			}
			if err := keepValue(tx, f, v); err != nil {
				return err
			}
		}
		s.cellsMS = firstCells(tx)
		return nil
	})
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
