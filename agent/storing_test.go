package agent

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"loadscribe/agent/poll"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
)

// badDisk is a file system that stalls or fails on demand.
type badDisk struct {
	store.FS
	mu    sync.Mutex
	fails map[string]error // by operation: create, write, sync; write: the database's too
	stall chan struct{}    // syncs wait until it is closed; nil: they do not
	hung  int              // syncs that wait
	full  bool             // it says so when asked
}

// Free says that nothing is, where it fails so.
func (d *badDisk) Free(dir string) (int64, error) {
	if d.full || errors.Is(d.err("write"), syscall.ENOSPC) {
		return 0, nil
	}
	return d.FS.Free(dir)
}

func (d *badDisk) fail(err error, operations ...string) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.fails = map[string]error{}
	for _, op := range operations {
		d.fails[op] = err
	}
}

func (d *badDisk) err(op string) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.fails[op]
}

func (d *badDisk) Create(name string) (store.File, error) {
	if err := d.err("create"); err != nil {
		return nil, err
	}
	f, err := d.FS.Create(name)
	return &badFile{f, d}, err
}

type badFile struct {
	store.File
	d *badDisk
}

func (f *badFile) Write(b []byte) (int, error) {
	if err := f.d.err("write"); err != nil {
		return 0, err
	}
	return f.File.Write(b)
}

func (f *badFile) Sync() error {
	if err := f.d.err("sync"); err != nil {
		return err
	}
	f.d.mu.Lock()
	stall := f.d.stall
	if stall != nil {
		f.d.hung++
	}
	f.d.mu.Unlock()
	if stall != nil {
		<-stall
	}
	return f.File.Sync()
}

func (d *badDisk) hanging() bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.hung > 0
}

func (d *badDisk) setStall(c chan struct{}) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.stall = c
}

// manualClock stands until it is set.
type manualClock struct {
	mu         sync.Mutex
	mono, wall int64
}

func (c *manualClock) Now() (int64, int64) {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.mono, c.wall
}

func (c *manualClock) advance(ms int64) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.mono, c.wall = c.mono+ms, c.wall+ms
}

// manyDevices is a site of n devices with one channel, four scans a second.
func manyDevices(n int) string {
	var b strings.Builder
	b.WriteString("[agent]\ndata = \"data\"\n[[line]]\nname = \"net\"\nkind = \"modbus-tcp\"\naddress = \"127.0.0.1:502\"\n")
	for i := range n {
		fmt.Fprintf(&b, "[[device]]\nname = \"d%d\"\nline = \"net\"\nunit = %d\nmap = \"map.toml\"\nevery = \"250ms\"\n", i, i+1)
	}
	return b.String()
}

const oneChannel = "name = \"one\"\n[[channel]]\nname = \"x\"\ntable = \"input\"\naddress = 0\ntype = \"u16\"\n"

// noLine never connects: the scans of these tests are offered by hand.
func noLine(context.Context, *sitefile.Line) (poll.Client, error) {
	return nil, errors.New("no line in this test")
}

func eventually(t *testing.T, what string, reached func() bool) {
	t.Helper()
	for end := time.Now().Add(30 * time.Second); !reached(); time.Sleep(2 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("waited 30 s for %s", what)
		}
	}
}

// TestStalledDiskLosesNothing: the disk hangs for a minute in which the hour
// turns, so that the writer hangs in a seal. Polling goes on, the page goes on,
// the state says since when the disk hangs, and all of it is kept.
func TestStalledDiskLosesNothing(t *testing.T) {
	const devices, seconds, perSecond = 64, 60, 4
	site := loadTestSite(t, t.TempDir(), manyDevices(devices), oneChannel)
	disk := &badDisk{FS: store.SystemFS()}
	clock := &manualClock{mono: 1000, wall: testStartMS + 3600_000 - 10_000}
	a, err := Open(site, Options{Dial: noLine, Clock: clock, Store: store.Options{FS: disk, SyncEvery: 5 * time.Millisecond}})
	if err != nil {
		t.Fatal(err)
	}
	var shown sync.Map // by device: the last value told
	a.OnUpdate(func(kind string, data any) {
		if u, ok := data.(ScanUpdate); ok && kind == "scan" {
			shown.Store(u.Device, u)
		}
	})
	ctx, cancel := context.WithCancel(t.Context())
	failed := make(chan error, 2)
	stopShowing, stopWriting := start(ctx, failed, a.show), start(ctx, failed, a.write)
	stall := make(chan struct{})
	disk.setStall(stall)
	offered := map[string]int{}
	for i := range seconds * perSecond {
		mono, wall := clock.Now()
		for _, g := range a.groups {
			// The disk hangs until the last was offered: one that waited for it would not return.
			a.queue.Offer(scan.Scan{Group: g, MonoMS: mono, WallMS: wall, Values: []int64{int64(i)}})
			offered[g.Device]++
		}
		if i == 0 {
			eventually(t, "a sync that hangs", disk.hanging)
		}
		clock.advance(1000 / perSecond)
	}
	eventually(t, "the page to show the last scan of each device", func() bool {
		n := 0
		for _, g := range a.groups {
			if u, ok := shown.Load(g.Device); ok && *u.(ScanUpdate).Values[g.Device+".x"] == seconds*perSecond-1 {
				n++
			}
		}
		return n == devices
	})
	eventually(t, "the state to say so", func() bool {
		s := a.storeState()
		return !s.OK && strings.Contains(s.Detail, "has not answered for 60 s") && s.WaitingScans == devices*seconds*perSecond
	})
	if !strings.Contains(a.storeState().Mend, "Check that disk") {
		t.Errorf("mend: %q", a.storeState().Mend)
	}
	disk.setStall(nil)
	close(stall)
	eventually(t, "everything to be safe", func() bool { s := a.storeState(); return s.OK && s.WaitingScans == 0 })
	cancel()
	stopShowing()
	stopWriting()
	got := map[string]int{}
	err = a.store.Scans(store.ScanQuery{}, func(s *scan.Scan) error {
		if s.Reason != scan.Good || s.Values[0] != int64(got[s.Group.Device]) {
			t.Fatalf("scan %d of %s is %v with the reason %v", got[s.Group.Device], s.Group.Device, s.Values, s.Reason)
		}
		got[s.Group.Device]++
		return nil
	})
	if err != nil || len(got) != devices || len(a.store.Segments()) != 1 {
		t.Fatalf("%d devices stored in %d segments: %v", len(got), len(a.store.Segments()), err)
	}
	for device, n := range offered {
		if got[device] != n {
			t.Errorf("%s: %d of %d scans kept", device, got[device], n)
		}
	}
	if n := a.droppedScans(); n != 0 {
		t.Errorf("%d scans dropped", n)
	}
	if err := a.Close(); err != nil {
		t.Fatal(err)
	}
}

// TestBadDiskIsSaidAndOutlived: with each failure and at each step polling goes
// on into memory, state, metrics and log say so, what memory cannot hold is
// counted and is a gap with its reason, and recording goes on by itself.
func TestBadDiskIsSaidAndOutlived(t *testing.T) {
	tests := []struct {
		name   string
		err    error
		at     []string
		detail string
	}{
		{"disk full at write", syscall.ENOSPC, []string{"write"}, "the disk of the data directory is full"},
		{"disk full at create", syscall.ENOSPC, []string{"create", "write"}, "the disk of the data directory is full"},
		{"read-only file system", syscall.EROFS, []string{"create", "write", "sync"}, "has become read-only"},
		{"error of the disk at sync", syscall.EIO, []string{"sync", "write"}, "reports errors"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			dir := t.TempDir()
			site := loadTestSite(t, dir, manyDevices(1), oneChannel)
			disk := &badDisk{FS: store.SystemFS()}
			clock := &manualClock{mono: 1000, wall: testStartMS}
			var log lockedLog
			a, err := Open(site, Options{Dial: noLine, Clock: clock, Log: slog.New(slog.NewTextHandler(&log, nil)),
				Store: store.Options{FS: disk, SyncEvery: 2 * time.Millisecond, BacklogBytes: 2000, TailValues: 400,
					CommitFault: func(bool) error { return disk.err("write") }}})
			if err != nil {
				t.Fatal(err)
			}
			empty := scan.Scan{Values: []int64{0}}
			a.queue.most = 50 * sizeOf(&empty)
			ctx, cancel := context.WithCancel(t.Context())
			failed := make(chan error, 3)
			stops := []func(){start(ctx, failed, a.show), start(ctx, failed, a.write)}
			offered := 0
			offer := func(n int) {
				for range n {
					clock.advance(250)
					mono, wall := clock.Now()
					a.queue.Offer(scan.Scan{Group: a.groups[0], MonoMS: mono, WallMS: wall, Values: []int64{int64(offered)}})
					offered++
				}
			}
			offer(10)
			eventually(t, "ten scans to be safe", func() bool { return a.store.DurableSeq() == 10 })
			disk.fail(tt.err, tt.at...)
			offer(20)
			eventually(t, "the state to say so", func() bool {
				s := a.storeState()
				return !s.OK && strings.Contains(s.Detail, tt.detail) && strings.Contains(s.Detail, "20 scans wait in memory") && s.Mend != ""
			})
			if ok, why := a.Ready(); ok || !strings.Contains(why, tt.detail) {
				t.Errorf("ready: %v, %q", ok, why)
			}
			if m := a.Metrics().Store; m.OK || m.WaitingScans != 20 || m.DurableScans != 10 {
				t.Errorf("metrics: %+v", m)
			}
			for a.queue.Dropped() == 0 { // more than store and queue hold together
				offer(5)
				eventually(t, "the writer to take them or to wait for room", func() bool {
					return a.queue.Waiting() == 0 || strings.Contains(log.String(), "the store takes no more scans")
				})
			}
			dropped := a.droppedScans()
			disk.fail(nil)
			safe := func() bool {
				clock.advance(100) // a seal is tried again after some seconds
				s := a.storeState()
				return s.OK && s.WaitingScans == 0
			}
			eventually(t, "everything to be safe", safe)
			offer(5)
			eventually(t, "the last scans to be safe", safe)
			if n := a.droppedScans(); n != dropped {
				t.Errorf("%d scans counted as dropped, were %d", n, dropped)
			}
			cancel()
			for _, stop := range stops {
				stop()
			}
			checkDropped(t, a, offered, dropped)
			if err := a.Close(); err != nil {
				t.Fatal(err)
			}
			for _, said := range []string{"journal cannot be written", "journal can be written again", "the store takes no more scans",
				"scans are kept again", "scans were dropped"} {
				if n := strings.Count(log.String(), said); n < 1 || n > 6 {
					t.Errorf("the log says %q %d times, want it once or so:\n%s", said, n, log.String())
				}
			}
			again, err := Open(site, Options{Dial: noLine, Clock: clock})
			if err != nil {
				t.Fatal(err)
			}
			if n := again.Metrics().Store.DroppedScans; n != dropped {
				t.Errorf("after a stop %d scans count as dropped, want %d", n, dropped)
			}
			if err := again.Close(); err != nil {
				t.Fatal(err)
			}
		})
	}
}

// checkDropped: what is stored is what was offered, in order, but for counted
// gaps that are marked at both ends.
func checkDropped(t *testing.T, a *Agent, offered int, dropped int64) {
	t.Helper()
	next, missing, marks := int64(0), int64(0), 0
	err := a.store.Scans(store.ScanQuery{}, func(s *scan.Scan) error {
		switch s.Reason {
		case scan.Dropped:
			marks++
		case scan.Good:
			if s.Values[0] != next && marks == 0 {
				t.Errorf("scans %d to %d are missing without a mark", next, s.Values[0]-1)
			}
			if s.Values[0] < next {
				t.Errorf("scan %d comes after %d", s.Values[0], next)
			}
			missing += s.Values[0] - next
			next = s.Values[0] + 1
		default:
			t.Errorf("scan with the reason %v", s.Reason)
		}
		return nil
	})
	if err != nil || next != int64(offered) || missing != dropped || dropped == 0 {
		t.Errorf("stored up to %d of %d, %d missing, %d counted: %v", next, offered, missing, dropped, err)
	}
	if n := len(a.store.Segments()); n != 1 {
		t.Errorf("%d segments, want 1", n)
	}
	events, err := a.store.Events(0, 0, 0)
	n := 0
	for _, e := range events {
		if e.Kind == store.KindDropped {
			n++
			if e.Subject != "d0" || !strings.Contains(e.Text, "could not be kept") {
				t.Errorf("event %+v", e)
			}
		}
	}
	if err != nil || n == 0 {
		t.Errorf("%d events of dropped scans: %v", n, err)
	}
}

// lockedLog is a log that is read while it is written.
type lockedLog struct {
	mu   sync.Mutex
	text bytes.Buffer
}

func (l *lockedLog) Write(b []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.Write(b)
}

func (l *lockedLog) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.String()
}
