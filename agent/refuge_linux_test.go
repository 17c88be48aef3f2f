package agent

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
)

// refugeRun offers scans that count on to an agent whose parts run.
type refugeRun struct {
	t     *testing.T
	site  *sitefile.Site
	o     Options
	clock *manualClock
	count int64
}

func (r *refugeRun) record(a *Agent, n int) {
	for range n {
		r.clock.advance(1000)
		mono, wall := r.clock.Now()
		a.queue.Offer(scan.Scan{Group: a.groups[0], MonoMS: mono, WallMS: wall, Values: []int64{r.count}})
		r.count++
	}
}

// begin runs the parts of an agent that keep readings; stop ends them in order.
func (r *refugeRun) begin(a *Agent) (failed chan error, stop func()) {
	ctx := context.WithoutCancel(r.t.Context())
	failed = make(chan error, 8)
	stops := []func(){start(ctx, failed, a.show), start(ctx, failed, a.write), start(ctx, failed, a.watchStore), start(ctx, failed, a.keepEvents)}
	if a.refuge != nil {
		stops = append(stops, start(ctx, failed, a.leave))
	}
	return failed, func() {
		for _, stop := range stops { // in the order of Run
			stop()
		}
		if err := a.Close(); err != nil {
			r.t.Error(err)
		}
	}
}

// normal records n scans in the data directory.
func (r *refugeRun) normal(n int) {
	r.t.Helper()
	a, err := Open(r.site, r.o)
	if err != nil {
		r.t.Fatal(err)
	}
	_, stop := r.begin(a)
	r.record(a, n)
	eventually(r.t, "the scans to be kept", func() bool { return a.queue.Waiting() == 0 })
	stop()
}

// A start on a real file system that is read-only, with and without a record,
// or full and without one: readings are taken and shown and wait in memory, the
// state and the metrics say so and call nothing safe, and when the disk can be
// written all of it is in the record, in order and once, with the events.
func TestStartOnADiskThatTakesNothing(t *testing.T) {
	remount := func(t *testing.T, dir string, flags uintptr) {
		t.Helper()
		if err := unix.Mount("tmpfs", dir, "tmpfs", unix.MS_REMOUNT|flags, ""); err != nil {
			t.Fatal(err)
		}
	}
	for _, tt := range []struct {
		name     string
		recorded int // before
		says     string
		shut     func(t *testing.T, disk string)
		open     func(t *testing.T, disk string)
	}{
		{"read-only, nothing recorded", 0, "read-only",
			func(t *testing.T, disk string) { remount(t, disk, unix.MS_RDONLY) },
			func(t *testing.T, disk string) { remount(t, disk, 0) }},
		{"read-only, with a record", 500, "read-only",
			func(t *testing.T, disk string) { remount(t, disk, unix.MS_RDONLY) },
			func(t *testing.T, disk string) { remount(t, disk, 0) }},
		{"full, nothing recorded", 0, "is full",
			func(t *testing.T, disk string) { fill(t, filepath.Join(disk, "filler")) },
			func(t *testing.T, disk string) {
				if err := os.Remove(filepath.Join(disk, "filler")); err != nil {
					t.Fatal(err)
				}
			}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			disk := smallDisk(t, "8m")
			site := loadTestSite(t, t.TempDir(), manyDevices(1), oneChannel)
			site.Agent.DataDir = filepath.Join(disk, "data")
			refuge := &Refuge{}
			r := &refugeRun{t: t, site: site, clock: &manualClock{mono: 1000, wall: testStartMS}}
			r.o = Options{Dial: noLine, Clock: r.clock, Refuge: refuge,
				Store: store.Options{ReserveBytes: -1, SyncEvery: 2 * time.Millisecond}}
			if tt.recorded > 0 {
				r.normal(tt.recorded)
			}
			tt.shut(t, disk)
			_, err := Open(site, r.o)
			if !DiskTakesNothing(site.Agent.DataDir, err) {
				t.Fatalf("opened on such a disk: %v", err)
			}
			a, err := refuge.Open(site, r.o, err)
			if err != nil {
				t.Fatal(err)
			}
			memory := refuge.dir
			failed, stop := r.begin(a)
			r.record(a, 70*60) // an hour turns
			// A batch on its way from the queue to the store is counted by neither for a moment.
			var state State
			eventually(t, "the scans to be in memory", func() bool {
				state = a.State()
				return state.Store.WaitingScans >= 70*60
			})
			if s := state.Store; s.OK || !strings.Contains(s.Detail, tt.says) || s.Mend == "" || s.WaitingScans < 70*60 || state.DurableSeq != 0 {
				t.Errorf("the state says %+v, safe to %d", s, state.DurableSeq)
			}
			if m := a.Metrics().Store; m.OK || m.DurableScans != 0 {
				t.Errorf("the metrics say %+v", m)
			}
			eventually(t, "an event that it takes nothing", func() bool {
				events, err := a.store.EventsWhere(0, 0, 0, func(e *store.Event) bool { return e.Kind == kindStoreDown })
				return err == nil && len(events) == 1
			})
			tt.open(t, disk)
			if err := <-failed; !errors.Is(err, ErrDiskBack) {
				t.Fatal(err)
			}
			r.record(a, 10) // what is under way when it ends
			stop()
			r.normal(100)
			if _, err := os.Stat(memory); !errors.Is(err, os.ErrNotExist) || refuge.InUse() {
				t.Errorf("the memory is not given back: %v", err)
			}
			h, err := OpenHistory(site, "", nil)
			if err != nil {
				t.Fatal(err)
			}
			defer h.Close()
			next, lastMS := int64(0), int64(0)
			if err := h.Scans(0, 0, nil, func(s *scan.Scan) error {
				if s.Reason != scan.Good || s.Values[0] != next || s.WallMS <= lastMS {
					t.Fatalf("scan %d is %v at %d (%v)", next, s.Values, s.WallMS, s.Reason)
				}
				next, lastMS = next+1, s.WallMS
				return nil
			}); err != nil || next != r.count {
				t.Errorf("%d scans of %d: %v", next, r.count, err)
			}
			events, err := h.store.EventsWhere(0, 0, 0, func(e *store.Event) bool { return e.Kind == kindStoreDown || e.Kind == kindStoreUp })
			if err != nil || len(events) != 2 || events[0].Kind != kindStoreDown || !strings.Contains(events[1].Text, "4210 readings that waited in memory are kept") {
				t.Errorf("events %+v, %v", events, err)
			}
		})
	}
}

// Who may write there, or what is there, is no trouble of a disk: a start says
// so and ends.
func TestWhatIsNoTroubleOfTheDisk(t *testing.T) {
	dir := t.TempDir()
	for _, err := range []error{nil, store.ErrLocked, store.ErrNewer, os.ErrPermission, unix.EACCES, errors.New("some other")} {
		if DiskTakesNothing(dir, err) {
			t.Errorf("%v is taken for a trouble of the disk", err)
		}
	}
	if !DiskTakesNothing(dir, unix.EROFS) || !DiskTakesNothing(filepath.Join(dir, "not", "there"), unix.ENOSPC) {
		t.Error("a disk that takes nothing is not known as one")
	}
}

// An attempt to bring to the disk what waits in memory breaks off after some of
// it is there: the next one goes on, and each reading is kept once.
func TestTakingOverTwice(t *testing.T) {
	site := loadTestSite(t, t.TempDir(), manyDevices(1), oneChannel)
	refuge := &Refuge{}
	r := &refugeRun{t: t, site: site, clock: &manualClock{mono: 1000, wall: testStartMS}}
	fails := false
	r.o = Options{Dial: noLine, Clock: r.clock, Refuge: refuge, Store: store.Options{CommitFault: func(bool) error {
		if fails {
			return unix.EIO
		}
		return nil
	}}}
	r.normal(50)
	a, err := refuge.Open(site, r.o, unix.EROFS)
	if err != nil {
		t.Fatal(err)
	}
	for range 2 { // the second time the memory is the one of before
		_, stop := r.begin(a)
		r.record(a, 1500)
		eventually(t, "the scans to be in memory", func() bool { return a.queue.Waiting() == 0 }) // stop waits for the last of them
		stop()
		fails = true
		_, err := Open(site, r.o)
		fails = false
		if !errors.Is(err, unix.EIO) || !refuge.InUse() {
			t.Fatalf("opened on such a disk: %v", err)
		}
		if a, err = refuge.Open(site, r.o, err); err != nil {
			t.Fatal(err)
		}
	}
	if err := a.Close(); err != nil {
		t.Fatal(err)
	}
	r.normal(10)
	h, err := OpenHistory(site, "", nil)
	if err != nil {
		t.Fatal(err)
	}
	defer h.Close()
	next := int64(0)
	if err := h.Scans(0, 0, nil, func(s *scan.Scan) error {
		if s.Values[0] != next {
			t.Fatalf("scan %d is %v", next, s.Values)
		}
		next++
		return nil
	}); err != nil || next != r.count {
		t.Errorf("%d scans of %d: %v", next, r.count, err)
	}
}
