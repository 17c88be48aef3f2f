package outward

import (
	"encoding/hex"
	"errors"
	"io"
	"os"
)

// Files is what is done to the disk; tests put a failing one in its place.
type Files interface {
	// WriteSynced makes a new file of mode 0600 that is on the disk on return.
	WriteSynced(path string, data []byte) error
	Rename(from, to string) error
	Remove(path string) error
	// SyncDir makes a folder's names safe.
	SyncDir(dir string) error
}

// Disk is the system's Files.
type Disk struct{}

// WriteSynced implements Files.
func (Disk) WriteSynced(path string, data []byte) error {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_WRONLY|os.O_TRUNC, 0o600)
	if err != nil {
		return err
	}
	_, err = f.Write(data)
	return errors.Join(err, f.Sync(), f.Close())
}

// Rename implements Files.
func (Disk) Rename(from, to string) error { return os.Rename(from, to) }

// Remove implements Files.
func (Disk) Remove(path string) error { return os.Remove(path) }

// ReadUpTo reads a file of at most so many bytes; of a longer one, one byte more.
func ReadUpTo(path string, most int64) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return io.ReadAll(io.LimitReader(f, most+1))
}

// FolderOf is the folder of what has this name: the name, or in hex where two names
// could mean one folder on a disk that does not tell large letters.
func FolderOf(name string) string {
	for _, r := range name {
		if !(r >= 'a' && r <= 'z' || r >= '0' && r <= '9' || r == '_' || r == '-') {
			return "hex-" + hex.EncodeToString([]byte(name))
		}
	}
	return "to-" + name
}
