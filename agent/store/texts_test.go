package store

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	bolt "go.etcd.io/bbolt"
)

// Hash vectors: FIPS 180-2, appendix B (from memory), SHA-256 of "abc" and of
// the two-block message.
func TestTextsAreKeptUnderTheirHash(t *testing.T) {
	dir := t.TempDir()
	s := openTest(t, dir, Options{})
	big := make([]byte, 200_000)
	for i := range big {
		big[i] = byte(rand.Uint32())
	}
	hashes := map[string][]byte{}
	for _, tt := range []struct {
		text []byte
		hash string
	}{
		{[]byte("abc"), "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"},
		{[]byte("abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq"), "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1"},
		{nil, "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"},
		{big, ""},
		{bytes.Repeat([]byte{'#'}, 1<<20), ""},
	} {
		for range 2 { // a second time costs nothing and changes nothing
			hash, err := s.PutText(tt.text)
			if err != nil || tt.hash != "" && hash != tt.hash {
				t.Fatalf("PutText(%.20q) = %s, %v; want %s", tt.text, hash, err, tt.hash)
			}
			hashes[hash] = tt.text
		}
	}
	check := func(s *Store) {
		t.Helper()
		for hash, want := range hashes {
			if got, err := s.Text(hash); err != nil || !bytes.Equal(got, want) {
				t.Errorf("Text(%s): %d bytes, %v; want %d bytes", hash, len(got), err, len(want))
			}
		}
		for _, hash := range []string{strings.Repeat("0", 64), "ab", "", "zz"} {
			if _, err := s.Text(hash); !errors.Is(err, ErrNoText) {
				t.Errorf("Text(%q): %v, want ErrNoText", hash, err)
			}
		}
	}
	check(s)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	ro, err := OpenReadOnly(dir, Options{})
	if err != nil {
		t.Fatal(err)
	}
	check(ro)
	if _, err := ro.PutText([]byte("x")); !errors.Is(err, ErrReadOnly) {
		t.Errorf("PutText into a stopped store: %v", err)
	}
	if err := ro.Close(); err != nil {
		t.Fatal(err)
	}

	// A file whose tree is gone: texts are found by their envelope.
	name := filepath.Join(dir, databaseName)
	f, err := os.OpenFile(name, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := f.WriteAt(make([]byte, 2*os.Getpagesize()), 0); err != nil { // both meta pages
		t.Fatal(err)
	}
	f.Close()
	check(openTest(t, dir, Options{}))
}

// A store of the first versions has no bucket for texts.
func TestTextsInAnOlderStore(t *testing.T) {
	dir := t.TempDir()
	s := openTest(t, dir, Options{})
	if err := s.db.View(func(tx *bolt.Tx) error {
		if tx.Bucket([]byte(bucketTexts)) != nil {
			t.Error("the bucket is there before a text")
		}
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	if _, err := s.Text(strings.Repeat("0", 64)); !errors.Is(err, ErrNoText) {
		t.Errorf("Text: %v, want ErrNoText", err)
	}
}

// A text is kept by the same rule as all else: not while the last commit may
// not be on disk, and not called kept where its own last sync fails.
func TestPutTextIsSafeOnDisk(t *testing.T) {
	fail := false
	s := openTest(t, t.TempDir(), Options{SyncEvery: never, CommitFault: func(last bool) error {
		if fail && last {
			return errors.New("the sync failed")
		}
		return nil
	}})
	fail = true
	for _, text := range []string{"its own sync fails", "the sync before it has failed"} {
		if _, err := s.PutText([]byte(text)); !errors.Is(err, errUnsettled) {
			t.Errorf("%s: %v, want errUnsettled", text, err)
		}
	}
	sum := sha256.Sum256([]byte("the sync before it has failed"))
	if _, err := s.Text(hex.EncodeToString(sum[:])); !errors.Is(err, ErrNoText) {
		t.Errorf("a text was written over pages that the disk may still use: %v", err)
	}
	fail = false
	if _, err := s.PutText([]byte("the sync before it has failed")); err != nil {
		t.Error(err)
	}
}
