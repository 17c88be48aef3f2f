package store

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"

	bolt "go.etcd.io/bbolt"
)

// ErrNoText: no text of that hash was ever kept.
var ErrNoText = errors.New("no text of that hash is kept")

// PutText keeps a text, a site file or a register map as it was, under the
// SHA-256 of its bytes, and returns that in hex. It is safe on disk then; one
// that is kept already costs nothing. An event names it by its hash.
func (s *Store) PutText(text []byte) (hash string, err error) {
	if s.readOnly {
		return "", ErrReadOnly
	}
	sum := sha256.Sum256(text)
	hash = hex.EncodeToString(sum[:])
	if kept, err := s.Text(hash); err == nil && bytes.Equal(kept, text) {
		return hash, nil
	}
	err = s.update(func(tx *bolt.Tx) error { return s.putText(tx, text) })
	if err != nil {
		return "", fmt.Errorf("keep a text of %d bytes: %w", len(text), err)
	}
	return hash, nil
}

// putText makes the bucket where it is missing: stores of the first versions
// have none.
func (s *Store) putText(tx *bolt.Tx, text []byte) error {
	b, err := tx.CreateBucketIfNotExists([]byte(bucketTexts))
	if err != nil {
		return err
	}
	sum := sha256.Sum256(text)
	return b.Put(sum[:], wrap(nil, typeText, appendList(nil, text, s.enc)))
}

// Text returns what PutText kept under a hash; the error wraps ErrNoText where
// there is nothing.
func (s *Store) Text(hash string) ([]byte, error) {
	key, err := hex.DecodeString(hash)
	if err != nil || len(key) != sha256.Size {
		return nil, fmt.Errorf("text %q: %w: a hash is %d hex digits", hash, ErrNoText, 2*sha256.Size)
	}
	var text []byte
	err = s.view(func(tx *bolt.Tx) error {
		b := tx.Bucket([]byte(bucketTexts))
		if b == nil {
			return ErrNoText
		}
		v := b.Get(key)
		if v == nil {
			return ErrNoText
		}
		body, err := unwrap(v, typeText)
		if err != nil {
			return err
		}
		if text, err = readList(body, s.dec); err != nil {
			return err
		}
		if sum := sha256.Sum256(text); !bytes.Equal(sum[:], key) {
			return fmt.Errorf("%w: the text is not the one of this hash", ErrDamaged)
		}
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("text %s: %w", hash, err)
	}
	return text, nil
}
