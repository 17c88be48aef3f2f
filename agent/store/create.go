package store

import (
	"crypto/rand"
	"fmt"

	bolt "go.etcd.io/bbolt"
)

// createDatabase makes an empty database under a temporary name, so that a
// power cut on the way leaves nothing half made.
func (s *Store) createDatabase(name string) error {
	err := s.makeDatabase(name + newSuffix)
	if err == nil {
		err = s.o.FS.Rename(name+newSuffix, name)
	}
	if err == nil {
		err = s.o.FS.SyncDir(s.dir)
	}
	if err != nil {
		return fmt.Errorf("make database: %w", err)
	}
	return nil
}

// makeDatabase makes an empty database and syncs it.
func (s *Store) makeDatabase(name string) error {
	db, err := s.openDatabase(name, false)
	if err != nil {
		return err
	}
	err = db.Update(initDatabase)
	if err == nil {
		err = db.Sync()
	}
	if cerr := db.Close(); err == nil {
		err = cerr
	}
	return err
}

func initDatabase(tx *bolt.Tx) error {
	for _, b := range allBuckets() {
		if _, err := tx.CreateBucketIfNotExists([]byte(b)); err != nil {
			return err
		}
	}
	id := make([]byte, 16)
	rand.Read(id)
	if err := tx.Bucket([]byte(bucketMeta)).Put([]byte(metaID), id); err != nil {
		return err
	}
	if err := putMetaUint(tx, metaVersion, formatVersion); err != nil {
		return err
	}
	return sumMeta(tx)
}
