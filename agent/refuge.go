package agent

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"syscall"
	"time"

	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
)

// ErrDiskBack ends the Run of an agent that records into memory: the data
// directory can be written, and the next agent records there.
var ErrDiskBack = errors.New("the data directory can be written again")

// Refuge is where an agent records while the data directory takes nothing at
// all: the file system is read-only, full, or reports errors, so that no store
// can be opened there. It is a store of its own in memory. Open takes over what
// is in it. It is for one goroutine.
type Refuge struct {
	dir    string // empty: there is none
	why    error
	failed int // attempts to leave it
	// took is true once an attempt began to copy; base is then the last scan of
	// the data directory before, so that what is behind it is what was copied.
	took bool
	base uint64
}

// InUse reports whether readings wait here.
func (r *Refuge) InUse() bool { return r.dir != "" }

// DiskTakesNothing reports whether Open failed because of the disk of a data
// directory, which may be over by itself; not because of who may write there or
// what is there.
func DiskTakesNothing(dir string, err error) bool {
	for _, no := range []error{store.ErrLocked, store.ErrNewer} {
		if errors.Is(err, no) {
			return false
		}
	}
	for _, yes := range []error{store.ErrDiskFull, syscall.EROFS, syscall.ENOSPC, syscall.EDQUOT, syscall.EIO} {
		if errors.Is(err, yes) {
			return true
		}
	}
	free, known := freeBytes(dir) // bbolt says some causes in mere text
	return err != nil && known && free < leastFree
}

// leastFree is what must be free to make a store.
const leastFree = 4 << 20

// freeBytes is what is free on the disk of a directory, or of the nearest one
// above it that is there.
func freeBytes(dir string) (free int64, known bool) {
	for {
		free, err := store.SystemFS().Free(dir)
		if err == nil {
			return free, true
		}
		up := filepath.Dir(dir)
		if up == dir {
			return 0, false
		}
		dir = up
	}
}

// Open opens an agent that records into memory, since Open has failed with why.
// Its Run ends with ErrDiskBack when the data directory can be written.
func (r *Refuge) Open(site *sitefile.Site, o Options, why error) (*Agent, error) {
	if r.dir != "" {
		r.failed++
	} else {
		dir, err := os.MkdirTemp(memoryDir(), "loadscribe-")
		if err != nil {
			return nil, errors.Join(why, fmt.Errorf("and nothing can be kept in memory: %w", err))
		}
		r.dir = dir
	}
	if free, known := freeBytes(site.Agent.DataDir); known && free < leastFree && !errors.Is(why, syscall.EROFS) {
		why = errors.Join(store.ErrDiskFull, why)
	}
	r.why = why
	o.Refuge, o.intoRefuge = r, true
	o.Store.ReserveBytes = -1
	a, err := Open(site, o)
	if err != nil {
		return nil, errors.Join(why, err)
	}
	return a, nil
}

// memoryDir is a directory in memory, where the system has one.
func memoryDir() string {
	const linux = "/dev/shm"
	if info, err := os.Stat(linux); runtime.GOOS == "linux" && err == nil && info.IsDir() {
		return linux
	}
	return os.TempDir()
}

// Remove gives the memory back. What is in it and was not taken over is lost.
func (r *Refuge) Remove() error {
	if r.dir == "" {
		return nil
	}
	err := os.RemoveAll(r.dir)
	*r = Refuge{}
	return err
}

// leave ends the Run of an agent in memory when the data directory can be
// written. After an attempt that failed it waits longer.
func (a *Agent) leave(ctx context.Context) error {
	pause := min(leaveLook<<min(a.refuge.failed, 8), leaveLast)
	for wait(ctx, pause) {
		if err := tryDisk(a.site.Agent.DataDir); err == nil {
			return ErrDiskBack
		}
	}
	return nil
}

const (
	leaveLook = 2 * time.Second
	leaveLast = 5 * time.Minute
)

// tryDisk writes a file to the directory and takes it away.
func tryDisk(dir string) error {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return err
	}
	free, err := store.SystemFS().Free(dir)
	if err != nil {
		return err
	}
	if free < leastFree {
		return store.ErrDiskFull
	}
	f, err := os.CreateTemp(dir, "try-")
	if err != nil {
		return err
	}
	_, err = f.Write(make([]byte, 4096))
	return errors.Join(err, f.Sync(), f.Close(), os.Remove(f.Name()))
}

// takeOver brings what was recorded in memory into the store, in its order.
// Only when it is safe there is the memory given back.
func (a *Agent) takeOver(r *Refuge) error {
	if r == nil || r.dir == "" {
		return nil
	}
	from, err := store.OpenReadOnly(r.dir, store.Options{Clock: a.clock, Log: a.log})
	if errors.Is(err, store.ErrNoStore) {
		return r.Remove()
	}
	if err != nil {
		return err
	}
	if !r.took {
		r.took, r.base = true, a.store.LastSeq()
		err = a.tellRestart() // of the run before, while that is the last one
	}
	if err == nil {
		err = a.copyScans(from, a.store.LastSeq()-r.base)
	}
	if err == nil {
		err = a.store.Seal()
	}
	n := from.LastSeq()
	if err == nil {
		text := fmt.Sprintf("the data directory can be written again: %d readings that waited in memory are kept", n)
		err = errors.Join(a.copyEvents(from), a.note(kindStoreUp, "", text, nil))
	}
	if err = errors.Join(err, from.Close()); err != nil {
		return err
	}
	a.log.Info("what waited in memory is kept", "scans", n)
	return r.Remove()
}

// copyScans copies the scans after the first that were copied before.
func (a *Agent) copyScans(from *store.Store, copied uint64) error {
	old := from.Groups()
	now, err := a.store.Register(old)
	if err != nil {
		return err
	}
	groups := map[uint32]*scan.Group{}
	for i := range old {
		groups[old[i].ID] = now[i]
	}
	var batch []scan.Scan
	err = from.Scans(store.ScanQuery{FromSeq: copied + 1}, func(s *scan.Scan) error {
		c := *s
		c.Group, c.Values, c.Quality = groups[s.Group.ID], slices.Clone(s.Values), slices.Clone(s.Quality)
		if batch = append(batch, c); len(batch) < batchScans {
			return nil
		}
		err := a.store.Append(batch)
		batch = nil
		return err
	})
	if err == nil && len(batch) > 0 {
		err = a.store.Append(batch)
	}
	return err
}

// copyEvents leaves out what the store has said of the same scans by itself, and
// what the settings are: that is told when Run begins.
func (a *Agent) copyEvents(from *store.Store) error {
	own := []string{"clock_step", "clock_set", "clock_not_set", kindConfig}
	events, err := from.EventsWhere(0, 0, 0, func(e *store.Event) bool {
		return !slices.Contains(own, e.Kind)
	})
	slices.SortFunc(events, func(x, y store.Event) int { return int(int64(x.Seq) - int64(y.Seq)) })
	numbers := renumbered{}
	for i := range events {
		if err == nil {
			events[i].Segment = 0
			err = numbers.keep(a.store, events[i])
		}
	}
	return err
}
