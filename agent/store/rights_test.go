package store

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"testing"
)

// Readings tell who works when, and the key signs them: no other account of the computer
// gets into a data directory, nor into the copy that an import works on.
func TestOtherAccountsAreKeptOut(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("modes of files say nothing there: the folder's rights hold")
	}
	dir := filepath.Join(t.TempDir(), "data")
	s, err := Open(dir, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	x, err := OpenSide(dir, Options{})
	if err != nil {
		t.Fatal(err)
	}
	folders := 0
	err = filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || !d.IsDir() {
			return err
		}
		folders++
		info, err := os.Stat(path)
		if err == nil && info.Mode().Perm() != 0o700 {
			t.Errorf("%s has the mode %v, want 0700", path, info.Mode())
		}
		return err
	})
	if err := errors.Join(err, x.Close()); err != nil {
		t.Fatal(err)
	}
	if folders < 3 {
		t.Errorf("%d folders, want the data directory, its journal and the copy at least", folders)
	}
}
