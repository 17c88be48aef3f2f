package store

import (
	"io"
	"os"
)

// FS is what the journal needs of a file system. Tests inject failures here.
type FS interface {
	// Create makes a new file for writing and fails if it exists.
	Create(name string) (File, error)
	ReadFile(name string) ([]byte, error)
	// List returns the names in a directory, sorted.
	List(dir string) ([]string, error)
	Remove(name string) error
	Rename(from, to string) error
	// SyncFile makes an existing file's content safe.
	SyncFile(name string) error
	// SyncDir makes creations and removals in dir safe, where the operating
	// system has such a thing.
	SyncDir(dir string) error
}

// File is a file being written.
type File interface {
	io.Writer
	Sync() error
	Close() error
}

type osFS struct{}

func (osFS) Create(name string) (File, error) {
	return os.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL|os.O_APPEND, 0o644)
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

func (osFS) SyncFile(name string) error {
	f, err := os.OpenFile(name, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	err = f.Sync()
	if cerr := f.Close(); err == nil {
		err = cerr
	}
	return err
}
