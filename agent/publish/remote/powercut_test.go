package remote

import (
	"context"
	"os"
	"path/filepath"
	"testing"
	"testing/synctest"
	"time"

	"loadscribe/agent/outward"
)

// cutDisk is a disk whose power fails after so many steps: names that were not synced
// by then are as they were before.
type cutDisk struct {
	outward.Disk
	steps  int
	undo   []func()
	synced map[string]bool // folders
}

func (c *cutDisk) step(do func() error) error {
	if c.steps <= 0 {
		return errDead
	}
	c.steps--
	return do()
}

func (c *cutDisk) WriteSynced(path string, data []byte) error {
	return c.step(func() error {
		c.undo = append(c.undo, func() { os.Remove(path) })
		return os.WriteFile(path, data, 0o600)
	})
}

func (c *cutDisk) Rename(from, to string) error {
	return c.step(func() error {
		if before, err := os.ReadFile(to); err == nil {
			c.undo = append(c.undo, func() { os.WriteFile(to, before, 0o600) })
		} else {
			c.undo = append(c.undo, func() { os.Remove(to) })
		}
		return c.Disk.Rename(from, to)
	})
}

func (c *cutDisk) SyncDir(dir string) error {
	return c.step(func() error {
		c.undo = nil
		if c.synced == nil {
			c.synced = map[string]bool{}
		}
		c.synced[dir] = true
		return nil
	})
}

// TestCursorIsSafe cuts the power after each step of writing cursors: what keep has
// called safe is there, or a later one.
func TestCursorIsSafe(t *testing.T) {
	for steps := range 14 {
		power := &cutDisk{steps: steps}
		data := t.TempDir()
		k := keeper{dir: filepath.Join(data, "remote-write", "to-a"), files: power}
		safe := int64(0)
		for n := range int64(5) {
			if k.keep(&cursor{Format: cursorFormat, Samples: n + 1}) == nil {
				safe = n + 1
				if !power.synced[data] || !power.synced[filepath.Dir(k.dir)] { // else a new folder's name may go
					t.Errorf("%d steps: synced are %v", steps, power.synced)
				}
			}
		}
		for i := len(power.undo) - 1; i >= 0; i-- {
			power.undo[i]()
		}
		found, err := k.load()
		switch {
		case err != nil:
			t.Errorf("%d steps: %v", steps, err)
		case found == nil && safe > 0, found != nil && found.Samples < safe:
			t.Errorf("%d steps: cursor %d was safe, found %+v", steps, safe, found)
		}
	}
}

// TestPowerCuts cuts the power after each step that is done to the disk: the cursor is
// whole, and nothing is lost.
func TestPowerCuts(t *testing.T) {
	for steps := range 40 {
		synctest.Test(t, func(t *testing.T) {
			g := newRig(t, 5, newReceiver())
			g.source.add(400)
			power := &cutDisk{steps: steps}
			s, err := Open(g.dir, g.config(), g.source, g.options)
			if err != nil {
				t.Fatal(err)
			}
			s.keeper.files = power
			ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
			defer cancel()
			running(ctx, t, s)()
			for i := len(power.undo) - 1; i >= 0; i-- {
				power.undo[i]()
			}
			g.start()
			defer g.stop()
			g.settle(time.Hour)
			if s := g.sender.State(); s.Note != "" {
				t.Errorf("%d steps: %s", steps, s.Note)
			}
			g.account(0)
		})
	}
}
