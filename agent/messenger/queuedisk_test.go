package messenger

import (
	"errors"
	"os"
	"sync"
	"syscall"

	"loadscribe/agent/outward"
)

// memoryFiles forgets what is written.
type memoryFiles struct{}

func (memoryFiles) WriteSynced(string, []byte) error { return nil }
func (memoryFiles) Rename(string, string) error      { return nil }
func (memoryFiles) Remove(string) error              { return nil }
func (memoryFiles) SyncDir(string) error             { return nil }

// cutFiles is a disk whose power fails after so many steps: names that were not
// synced by then are as they were before.
type cutFiles struct {
	outward.Disk
	mu    sync.Mutex
	steps int // left
	undo  []func()
}

var errCut = errors.New("power cut")

func (c *cutFiles) step(do func() error) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.steps <= 0 {
		return errCut
	}
	c.steps--
	return do()
}

func (c *cutFiles) WriteSynced(path string, data []byte) error {
	return c.step(func() error {
		c.undo = append(c.undo, func() { os.Remove(path) })
		return c.Disk.WriteSynced(path, data)
	})
}

func (c *cutFiles) Rename(from, to string) error {
	return c.step(func() error {
		c.undo = append(c.undo, func() { os.Remove(to) }) // neither name is there: the worst case
		return c.Disk.Rename(from, to)
	})
}

func (c *cutFiles) Remove(path string) error {
	return c.step(func() error {
		if data, err := os.ReadFile(path); err == nil {
			c.undo = append(c.undo, func() { os.WriteFile(path, data, 0o600) })
		}
		return c.Disk.Remove(path)
	})
}

func (c *cutFiles) SyncDir(dir string) error {
	return c.step(func() error {
		c.undo = nil
		return c.Disk.SyncDir(dir)
	})
}

func (c *cutFiles) cut() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.steps = 0
	for i := len(c.undo) - 1; i >= 0; i-- {
		c.undo[i]()
	}
}

// fullDisk takes nothing while full.
type fullDisk struct {
	outward.Disk
	mu   sync.Mutex
	full bool
}

func (d *fullDisk) set(full bool) {
	d.mu.Lock()
	d.full = full
	d.mu.Unlock()
}

func (d *fullDisk) err() error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.full {
		return &os.PathError{Op: "write", Path: "x", Err: syscall.ENOSPC}
	}
	return nil
}

func (d *fullDisk) WriteSynced(path string, data []byte) error {
	if err := d.err(); err != nil {
		return errors.Join(os.WriteFile(path, data[:len(data)/2], 0o600), err) // half of it got there
	}
	return d.Disk.WriteSynced(path, data)
}

func (d *fullDisk) Remove(path string) error { return errors.Join(d.err(), d.Disk.Remove(path)) }

// hangingDisk takes no file before it is let go.
type hangingDisk struct {
	outward.Disk
	free chan struct{}
}

func (d *hangingDisk) WriteSynced(path string, data []byte) error {
	<-d.free
	return d.Disk.WriteSynced(path, data)
}
