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
	"loadscribe/agent/store"
	"loadscribe/testdata/peers"
)

// smallDisk mounts a file system of its own, in memory, of a size in bytes.
func smallDisk(t *testing.T, size string) string {
	t.Helper()
	dir := t.TempDir()
	if err := unix.Mount("tmpfs", dir, "tmpfs", 0, "size="+size); err != nil {
		peers.Missing(t, "a small tmpfs cannot be mounted here (%v); run as root to have a real full disk", err)
	}
	t.Cleanup(func() {
		if err := unix.Unmount(dir, unix.MNT_DETACH); err != nil {
			t.Error(err)
		}
	})
	return dir
}

// fill writes a file until the disk takes no more.
func fill(t *testing.T, name string) {
	t.Helper()
	f, err := os.Create(name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	for size := 1 << 16; size > 0; {
		if _, err := f.Write(make([]byte, size)); errors.Is(err, unix.ENOSPC) {
			size /= 2
		} else if err != nil {
			t.Fatal(err)
		}
	}
}

// TestFullDiskFilledAndFreed fills a real file system under a recording agent
// while hours turn, with and without the reserve that keeps space for a seal,
// and frees it: recording goes on by itself and nothing is lost.
func TestFullDiskFilledAndFreed(t *testing.T) {
	for name, reserve := range map[string]int64{"with a reserve": 512 << 10, "to the last byte": -1} {
		t.Run(name, func(t *testing.T) {
			dir := smallDisk(t, "4m")
			site := loadTestSite(t, dir, manyDevices(2), oneChannel)
			clock := &manualClock{mono: 1000, wall: testStartMS}
			a, err := Open(site, Options{Dial: noLine, Clock: clock,
				Store: store.Options{SyncEvery: 2 * time.Millisecond, ReserveBytes: reserve}})
			if err != nil {
				t.Fatal(err)
			}
			ctx, cancel := context.WithCancel(t.Context())
			failed := make(chan error, 4)
			stopShowing, stopWriting := start(ctx, failed, a.show), start(ctx, failed, a.write)
			stopLooking, stopNoting := start(ctx, failed, a.watchStore), start(ctx, failed, a.keepEvents)
			told := func(kind string) func() bool {
				return func() bool {
					events, err := a.store.EventsWhere(0, 0, 0, func(e *store.Event) bool { return e.Kind == kind })
					return err == nil && len(events) == 1
				}
			}
			offered := int64(0)
			record := func(seconds int) {
				for range seconds {
					clock.advance(1000)
					mono, wall := clock.Now()
					for _, g := range a.groups {
						a.queue.Offer(scan.Scan{Group: g, MonoMS: mono, WallMS: wall, Values: []int64{offered % 65536}})
					}
					offered++
				}
			}
			taken := func() bool { return a.queue.Waiting() == 0 && a.store.LastSeq() == uint64(2*offered) }
			safe := func() bool {
				if s := a.storeState(); taken() && s.OK && s.WaitingScans == 0 {
					return true
				}
				if taken() {
					record(1) // what failed is tried again as scans come
				}
				return false
			}
			record(70 * 60)
			eventually(t, "the first hour to be safe", safe)

			filler := filepath.Join(dir, "filler")
			fill(t, filler)
			record(90 * 60) // an hour turns
			eventually(t, "the state to say that the disk is full", func() bool {
				s := a.storeState()
				return taken() && !s.OK && strings.Contains(s.Detail, "the disk of the data directory is full (") && s.WaitingScans > 0
			})
			eventually(t, "an event of the full disk", told(kindStoreDown))
			a.lookAtDisk(false)
			if free := a.Metrics().Store.FreeBytes; free < 0 || free > 1<<20 {
				t.Errorf("the metrics say that %d bytes are free", free)
			}
			if err := os.Remove(filler); err != nil {
				t.Fatal(err)
			}
			eventually(t, "everything to be safe after the disk was freed", safe)
			eventually(t, "an event that it takes data again", told(kindStoreUp))
			record(60 * 60)
			eventually(t, "the next hour to be safe", safe)
			cancel()
			stopShowing()
			stopWriting()
			stopLooking()
			stopNoting()
			if n := a.droppedScans(); n != 0 {
				t.Errorf("%d scans dropped", n)
			}
			if err := a.Close(); err != nil {
				t.Fatal(err)
			}
			h, err := OpenHistory(site, "", nil)
			if err != nil {
				t.Fatal(err)
			}
			defer h.Close()
			got := map[string]int64{}
			if err := h.Scans(0, 0, nil, func(s *scan.Scan) error {
				if s.Reason != scan.Good || s.Values[0] != got[s.Group.Device]%65536 {
					t.Fatalf("scan %d of %s is %v (%v)", got[s.Group.Device], s.Group.Device, s.Values, s.Reason)
				}
				got[s.Group.Device]++
				return nil
			}); err != nil || got["d0"] != offered || got["d1"] != offered {
				t.Errorf("%v of %d scans each: %v", got, offered, err)
			}
		})
	}
}

// TestFiguresWhileTheDiskIsFull: what waits in memory because an hour cannot be
// sealed is observed time like any other.
func TestFiguresWhileTheDiskIsFull(t *testing.T) {
	dir := smallDisk(t, "2m")
	site := loadTestSite(t, dir, historySite, historyMap)
	clock := &manualClock{mono: 1000, wall: testStartMS}
	a, err := Open(site, Options{Dial: noLine, Clock: clock, Store: store.Options{ReserveBytes: -1}})
	if err != nil {
		t.Fatal(err)
	}
	defer a.Close()
	record := func(seconds int) {
		t.Helper()
		for range seconds {
			clock.advance(1000)
			mono, wall := clock.Now()
			if err := a.store.Append([]scan.Scan{{Group: a.groups[0], MonoMS: mono, WallMS: wall, Values: []int64{1, 1}}}); err != nil {
				t.Fatal(err)
			}
		}
	}
	record(1800)
	filler := filepath.Join(dir, "filler")
	fill(t, filler)
	record(3600) // an hour turns: it cannot be sealed
	if err := a.store.Stats().SealError; err == "" {
		t.Fatal("the hour was sealed on a full disk")
	}
	rep, err := a.Figures(testStartMS, testStartMS+5401_000, "m")
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range rep.Machines[0].Figures {
		if f.Name == "observed_time" && (f.Value == nil || *f.Value < 5390) {
			t.Errorf("observed are %v s of 5400", *f.Value)
		}
	}
	if err := os.Remove(filler); err != nil {
		t.Fatal(err)
	}
}
