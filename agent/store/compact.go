package store

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"

	bolt "go.etcd.io/bbolt"
)

// compactTxBytes bounds what one transaction copies, and with it the memory and
// how far from the order of their keys values come to stand in the new file.
const compactTxBytes = 256 << 10

// Compact gives back the space that a stopped store's database no longer needs:
// bbolt uses freed pages again but never gives them back. It copies the
// database to a new file, compares every key and value of the two, and only
// then lets the new file take the old one's name, in one step. The sizes are
// those of the database. It returns ErrLocked while an agent runs.
func Compact(dir string, o Options) (before, after int64, err error) {
	name := filepath.Join(dir, databaseName)
	if _, err := os.Stat(name); errors.Is(err, os.ErrNotExist) {
		return 0, 0, fmt.Errorf("compact: %w: %s is missing; has the agent run here?", ErrNoStore, name)
	}
	s, err := newStore(dir, o)
	if err != nil {
		return 0, 0, err
	}
	defer s.dec.Close()
	lock, err := lockDir(dir)
	if err != nil {
		return 0, 0, err
	}
	defer func() { err = errors.Join(err, lock.release()) }()
	before = fileSize(name)
	if err := s.roomFor(before); err != nil {
		return 0, 0, fmt.Errorf("compact: %w", err)
	}
	if err := s.compactInto(name, name+newSuffix); err != nil {
		return 0, 0, errors.Join(fmt.Errorf("compact %s: %w; it is as it was", name, err), removeIfThere(name+newSuffix))
	}
	if err := s.o.FS.Rename(name+newSuffix, name); err != nil {
		return 0, 0, fmt.Errorf("compact: %w", err)
	}
	return before, fileSize(name), s.o.FS.SyncDir(dir)
}

func removeIfThere(name string) error {
	if err := os.Remove(name); !errors.Is(err, os.ErrNotExist) {
		return err
	}
	return nil
}

// compactInto copies the database from to the new file to and checks it.
func (s *Store) compactInto(from, to string) (err error) {
	src, err := openDatabase(from, true)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, src.Close()) }()
	if err := guard(func() error { return src.View(s.load) }); err != nil {
		return err
	}
	if err := removeIfThere(to); err != nil { // left by a kill
		return err
	}
	f, err := s.o.FS.Create(to)
	if err == nil {
		err = f.Close()
	}
	if err != nil {
		return err
	}
	dst, err := bolt.Open(to, 0o600, &bolt.Options{FreelistType: bolt.FreelistMapType, NoSync: true}) // until it is whole
	if err != nil {
		return err
	}
	dst.AllocSize = growBytes
	err = guard(func() error { return src.View(func(tx *bolt.Tx) error { return copyAll(dst, tx) }) })
	if err == nil {
		err = dst.Sync()
	}
	if err = errors.Join(err, dst.Close()); err != nil {
		return err
	}
	again, err := openDatabase(to, true)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, again.Close()) }()
	return sameContents(src, again)
}

// copyAll copies all buckets in the order of their names, each in transactions
// of its own: what a transaction writes stands in no certain order in the file,
// and the copies of groups and segments are to stand far from each other.
func copyAll(dst *bolt.DB, src *bolt.Tx) error {
	return src.ForEach(func(name []byte, b *bolt.Bucket) error {
		c := copier{dst: dst}
		defer c.drop()
		if err := c.bucket([][]byte{name}, b); err != nil {
			return err
		}
		return c.commit()
	})
}

type copier struct {
	dst   *bolt.DB
	tx    *bolt.Tx // nil: none is open
	bytes int      // in it
}

func (c *copier) commit() error {
	if c.tx == nil {
		return nil
	}
	tx := c.tx
	c.tx, c.bytes = nil, 0
	return tx.Commit()
}

// drop gives up a transaction that is open still, also where a damaged page
// made bbolt panic: the copy could not be closed else.
func (c *copier) drop() {
	if c.tx != nil {
		_ = c.tx.Rollback() // of a file that will be removed
	}
}

func (c *copier) bucket(path [][]byte, from *bolt.Bucket) error {
	if _, err := c.room(path, 0); err != nil { // an empty one too
		return err
	}
	return from.ForEach(func(k, v []byte) error {
		if v == nil {
			return c.bucket(append(path[:len(path):len(path)], k), from.Bucket(k))
		}
		to, err := c.room(path, len(k)+len(v))
		if err != nil {
			return err
		}
		return to.Put(k, v)
	})
}

// room is a bucket of the copy, to put n bytes into.
func (c *copier) room(path [][]byte, n int) (b *bolt.Bucket, err error) {
	if c.tx != nil && c.bytes+n > compactTxBytes {
		err = c.commit()
	}
	if err == nil && c.tx == nil {
		c.tx, err = c.dst.Begin(true)
	}
	if err != nil {
		return nil, err
	}
	c.bytes += n
	b, err = c.tx.CreateBucketIfNotExists(path[0])
	for _, name := range path[1:] {
		if err == nil {
			b, err = b.CreateBucketIfNotExists(name)
		}
	}
	if err == nil {
		b.FillPercent = 0.9 // as keys come in order
	}
	return b, err
}

// sameContents compares two databases, key by key and value by value.
func sameContents(a, b *bolt.DB) error {
	return guard(func() error {
		return a.View(func(x *bolt.Tx) error {
			return b.View(func(y *bolt.Tx) error {
				return sameBucket(x.Cursor(), y.Cursor(), x.Bucket, y.Bucket)
			})
		})
	})
}

// sameBucket compares what two cursors see, and the buckets inside.
func sameBucket(x, y *bolt.Cursor, xIn, yIn func([]byte) *bolt.Bucket) error {
	k, v := x.First()
	l, w := y.First()
	for k != nil || l != nil {
		if !bytes.Equal(k, l) || (k == nil) != (l == nil) || (v == nil) != (w == nil) || !bytes.Equal(v, w) {
			return fmt.Errorf("%w: the copy differs at key %x", ErrDamaged, k)
		}
		if v == nil {
			in, as := xIn(k), yIn(l)
			if err := sameBucket(in.Cursor(), as.Cursor(), in.Bucket, as.Bucket); err != nil {
				return err
			}
		}
		k, v = x.Next()
		l, w = y.Next()
	}
	return nil
}
