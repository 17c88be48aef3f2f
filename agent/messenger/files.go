package messenger

import (
	"errors"
	"io"
	"os"
)

// files is what the queue does to the disk; tests put a failing one in its place.
type files interface {
	// WriteSynced makes a new file of mode 0600 that is on the disk on return.
	WriteSynced(path string, data []byte) error
	Rename(from, to string) error
	Remove(path string) error
	// SyncDir makes a folder's names safe.
	SyncDir(dir string) error
}

type osFiles struct{}

func (osFiles) WriteSynced(path string, data []byte) error {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_WRONLY|os.O_TRUNC, 0o600)
	if err != nil {
		return err
	}
	_, err = f.Write(data)
	return errors.Join(err, f.Sync(), f.Close())
}

func (osFiles) Rename(from, to string) error { return os.Rename(from, to) }
func (osFiles) Remove(path string) error     { return os.Remove(path) }

// readUpTo reads a file of at most so many bytes; of a longer one, one byte more.
func readUpTo(path string, most int64) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return io.ReadAll(io.LimitReader(f, most+1))
}
