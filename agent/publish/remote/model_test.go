package remote

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"maps"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/goleak"

	"loadscribe/agent/outward"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// point is a sample of a series by name; a test's whole truth is a set of them.
type point struct {
	series string
	ms     int64
	bits   uint64
}

func pointsOf(all []Series) (points []point) {
	for _, s := range all {
		for _, v := range s.Samples {
			points = append(points, point{nameOf(s.Labels), v.TimeMS, math.Float64bits(v.Value)})
		}
	}
	return points
}

func nameOf(labels []Label) string {
	var b strings.Builder
	for _, l := range labels {
		fmt.Fprintf(&b, "%s=%s ", l.Name, l.Value)
	}
	return strings.TrimSpace(b.String())
}

// checker is what of a test a rig needs.
type checker interface {
	Helper()
	Errorf(format string, args ...any)
	Fatalf(format string, args ...any)
}

// rig is a sender with its source, its receiver and its folder.
type rig struct {
	t        checker
	dir      string
	source   *scans
	receiver *receiver
	options  Options
	disk     *disk
	sender   *Sender
	stop     func() // ends the sender and waits for it
}

func newRig(t *testing.T, series int, r *receiver) *rig {
	return rigIn(t, t.TempDir(), series, r)
}

func rigIn(t checker, dir string, series int, r *receiver) *rig {
	return &rig{t: t, dir: dir, source: &scans{series: series}, receiver: r, options: Options{Transport: r, MostSamples: 200}, stop: func() {}}
}

func (g *rig) config() Config {
	return Config{Name: "head office", URL: "https://metrics.example/write"}
}

// start starts a sender as a new process would.
func (g *rig) start() {
	g.t.Helper()
	s, err := Open(g.dir, g.config(), g.source, g.options)
	if err != nil {
		g.t.Fatalf("%v", err)
	}
	disk := &disk{full: g.disk != nil && g.disk.isFull()}
	g.disk, s.keeper.files = disk, disk
	ctx, cancel := context.WithCancel(context.Background())
	g.sender = s
	g.receiver.mu.Lock()
	g.receiver.kill = func() {
		disk.die()
		cancel()
	}
	g.receiver.mu.Unlock()
	wait := running(ctx, g.t, s)
	g.stop = func() {
		cancel()
		wait()
		g.stop = func() {}
	}
}

// running runs a sender; the returned function waits for its end.
func running(ctx context.Context, t checker, s *Sender) (wait func()) {
	done := make(chan error)
	go func() { done <- s.Run(ctx) }()
	return func() {
		t.Helper()
		if err := <-done; err != nil {
			t.Errorf("%v", err)
		}
	}
}

// settle waits until all is sent, for as long as that may take by the sender's clock.
func (g *rig) settle(most time.Duration) {
	g.t.Helper()
	for end := time.Now().Add(most); time.Now().Before(end); {
		time.Sleep(time.Second)
		synctest.Wait()
		if at, _, _ := g.sender.position(); string(at) == strconv.Itoa(g.source.scans) {
			return
		}
	}
	g.t.Fatalf("not all is sent after %v: %+v", most, g.sender.State())
}

// aside are the samples that were set aside.
func (g *rig) aside() map[point]bool {
	g.t.Helper()
	all := map[point]bool{}
	for _, name := range []string{asideOlder, asideFile} {
		for _, line := range asideLines(g.t, filepath.Join(g.dir, outward.FolderOf("head office"), name)) {
			for _, v := range line.Samples {
				at, err := time.Parse(time.RFC3339, v[0])
				if err != nil {
					g.t.Fatalf("%v", err)
				}
				bits := StaleBits
				if v[1] != "stale" {
					value, err := strconv.ParseFloat(v[1], 64)
					if err != nil {
						g.t.Fatalf("%v", err)
					}
					bits = math.Float64bits(value)
				}
				labels := []string{}
				for _, k := range slices.Sorted(maps.Keys(line.Labels)) {
					labels = append(labels, k+"="+line.Labels[k])
				}
				all[point{strings.Join(labels, " "), at.UnixMilli(), bits}] = true
			}
		}
	}
	return all
}

// account holds the receiver to the source: what it has and what was set aside is all
// that there was from a scan on, and nothing else is there, and each series came in its order.
func (g *rig) account(from int) (aside map[point]bool) {
	g.t.Helper()
	want, given, aside := g.source.points(from), g.source.points(0), g.aside()
	missing, extra := 0, 0
	for p := range want {
		if g.receiver.points[p] == 0 && !aside[p] {
			missing++
		}
	}
	for p := range g.receiver.points {
		if !given[p] {
			extra++
		}
	}
	if missing > 0 || extra > 0 {
		g.t.Errorf("%d of %d samples are neither with the receiver nor set aside; %d were never given; %d set aside", missing, len(want), extra, len(aside))
	}
	for name, times := range g.receiver.arrivals {
		if !slices.IsSorted(times) {
			g.t.Errorf("%s did not come in its order", name)
		}
	}
	return aside
}

func asideLines(t checker, path string) (lines []asideLine) {
	t.Helper()
	data, err := os.ReadFile(path)
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	if err != nil {
		t.Fatalf("%v", err)
	}
	for line := range bytes.Lines(data) {
		var l asideLine
		if err := jsonStrict(line, &l); err != nil {
			t.Fatalf("%s: %q: %v", path, line, err)
		}
		lines = append(lines, l)
	}
	return lines
}

// disk is one that can be full, and that does nothing any more after a kill. It syncs
// nothing: no power is cut here.
type disk struct {
	outward.Disk
	mu         sync.Mutex
	full, dead bool
}

func (d *disk) isFull() bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.full
}

func (d *disk) fill(full bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.full = full
}

func (d *disk) die() {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.dead = true
}

var errDead = errors.New("no such process")

func (d *disk) WriteSynced(path string, data []byte) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	switch {
	case d.dead:
		return errDead
	case d.full:
		return errors.Join(syscall.ENOSPC, os.WriteFile(path, data[:len(data)/2], 0o600))
	}
	return os.WriteFile(path, data, 0o600)
}

func (d *disk) SyncDir(string) error { return nil }

func (d *disk) Rename(from, to string) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.dead {
		return errDead
	}
	return d.Disk.Rename(from, to)
}
