package store

import (
	"io"
	"os"
)

// FS is what the store needs of a file system beside the database, which bbolt
// opens itself: all of the journal goes through it, and the making and naming
// of files. Tests put a simulated disk or injected failures here.
//
// The contract is the one of a real disk: what was written is safe once Sync
// has returned nil, and a name made, changed or removed is once SyncDir of its
// directory has. Before that a power cut may leave any part of it.
type FS interface {
	// MkdirAll makes a directory and those above it; no error if it is there.
	MkdirAll(dir string) error
	// Create makes a new file for writing and fails if it exists.
	Create(name string) (File, error)
	ReadFile(name string) ([]byte, error)
	// List returns the names in a directory, sorted.
	List(dir string) ([]string, error)
	Remove(name string) error
	Rename(from, to string) error
	// SyncDir makes creations and removals in dir safe, where the operating
	// system has such a thing.
	SyncDir(dir string) error
	// Free is the number of bytes that this user can still write in dir.
	Free(dir string) (int64, error)
}

// File is a file being written.
type File interface {
	io.Writer
	Sync() error
	Close() error
}

// SystemFS is the machine's own file system, for a test to put its failures
// around.
func SystemFS() FS { return osFS{} }

type osFS struct{}

// MkdirAll makes what is of no concern to other accounts of the computer: readings tell who
// works when.
func (osFS) MkdirAll(dir string) error { return os.MkdirAll(dir, 0o700) }

func (osFS) Create(name string) (File, error) {
	return os.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL|os.O_APPEND, 0o600)
}

func (osFS) ReadFile(name string) ([]byte, error) { return os.ReadFile(name) }

func (osFS) List(dir string) ([]string, error) {
	entries, err := os.ReadDir(dir) // sorted by name
	if err != nil {
		return nil, err
	}
	names := make([]string, 0, len(entries))
	for _, e := range entries {
		names = append(names, e.Name())
	}
	return names, nil
}

func (osFS) Remove(name string) error     { return os.Remove(name) }
func (osFS) Rename(from, to string) error { return os.Rename(from, to) }
