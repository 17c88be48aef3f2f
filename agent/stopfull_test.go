package agent

import (
	"log/slog"
	"strings"
	"syscall"
	"testing"
	"time"

	"loadscribe/agent/scan"
	"loadscribe/agent/store"
)

// A stop while the disk takes nothing loses what waits: each scan is counted
// once, however many batches they are.
func TestStopOnAFullDiskCountsEachScanOnce(t *testing.T) {
	site := loadTestSite(t, t.TempDir(), manyDevices(1), oneChannel)
	disk := &badDisk{FS: store.SystemFS()}
	clock := &manualClock{mono: 1000, wall: testStartMS}
	var log lockedLog
	a, err := Open(site, Options{Dial: noLine, Clock: clock, Log: slog.New(slog.NewTextHandler(&log, nil)),
		Store: store.Options{FS: disk, SyncEvery: 2 * time.Millisecond, BacklogBytes: 2000, TailValues: 400,
			CommitFault: func(bool) error { return disk.err("write") }}})
	if err != nil {
		t.Fatal(err)
	}
	disk.fail(syscall.ENOSPC, "write")
	const offered = 4*batchScans + 7
	for i := range offered {
		clock.advance(250)
		mono, wall := clock.Now()
		a.queue.Offer(scan.Scan{Group: a.groups[0], MonoMS: mono, WallMS: wall, Values: []int64{int64(i)}})
	}
	failed := make(chan error, 2)
	stopShowing, stopWriting := start(t.Context(), failed, a.show), start(t.Context(), failed, a.write)
	eventually(t, "the writer to wait for room", func() bool { return strings.Contains(log.String(), "takes no more scans") })
	stopShowing() // first, as the agent does: what was not shown is not written
	stopWriting()
	kept := 0
	if err := a.store.Scans(store.ScanQuery{}, func(*scan.Scan) error { kept++; return nil }); err != nil {
		t.Fatal(err)
	}
	if lost := a.droppedScans(); int(lost) != offered-kept || lost == 0 {
		t.Errorf("%d scans counted as lost, want %d of %d", lost, offered-kept, offered)
	}
	if n := strings.Count(log.String(), "stopped while the store took nothing"); n != 1 {
		t.Errorf("the log tells of the stop %d times:\n%s", n, log.String())
	}
	disk.fail(nil)
	if err := a.Close(); err != nil {
		t.Fatal(err)
	}
}
