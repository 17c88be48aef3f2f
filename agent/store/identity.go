package store

import (
	"encoding/hex"

	bolt "go.etcd.io/bbolt"
)

// ID names the store. A copy, a backup and what is restored from one have the same.
func (s *Store) ID() (id string, err error) {
	err = s.view(func(tx *bolt.Tx) error {
		id = hex.EncodeToString(tx.Bucket([]byte(bucketMeta)).Get([]byte(metaID)))
		return nil
	})
	return id, err
}
