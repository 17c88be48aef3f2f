package analysis

import (
	"fmt"
	"testing"

	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
)

// fixedClock stands still; scans bring their own times.
type fixedClock struct{ wall int64 }

func (c fixedClock) Now() (monoMS, wallMS int64) { return 0, c.wall }

// TestThroughTheStore runs the hand-worked hour through a real store that is
// closed and opened again on the way: sealed pieces, replayed journal and raw
// scans read back give the same report to the last bit.
func TestThroughTheStore(t *testing.T) {
	site := plant(t)
	dir := t.TempDir()
	tp := handWorked(t)
	open := func() (*store.Store, *Folder, map[string]*scan.Group) {
		f := NewFolder(site, sitefile.Groups(site))
		s, err := store.Open(dir, store.Options{Clock: fixedClock{monday}, Summariser: f})
		if err != nil {
			t.Fatalf("open: %v", err)
		}
		groups, err := s.Register(sitefile.Groups(site))
		if err != nil {
			t.Fatalf("register: %v", err)
		}
		byDevice := map[string]*scan.Group{}
		for _, g := range groups {
			byDevice[g.Device] = g
		}
		return s, f, byDevice
	}
	s, f, groups := open()
	const half = 3001
	for i := range tp.scans {
		if i == half {
			if err := s.Close(); err != nil {
				t.Fatalf("close: %v", err)
			}
			s, f, groups = open()
		}
		sc := tp.scans[i].Clone()
		sc.Seq, sc.Segment, sc.Group = 0, 0, groups[sc.Group.Device]
		if err := s.Append([]scan.Scan{sc}); err != nil {
			t.Fatalf("append: %v", err)
		}
	}
	if err := s.Sync(); err != nil {
		t.Fatalf("sync: %v", err)
	}
	for _, w := range []struct{ from, to int64 }{
		{monday, monday + hourMS},
		{monday + 650_500, monday + 2_222_222},
		{monday + 1_495_000, monday + 1_505_000},
	} {
		want, err := ComputeRaw(s, site, w.from, w.to, farFuture, "")
		if err != nil {
			t.Fatalf("from raw: %v", err)
		}
		got := mustCompute(t, WithPending(s, f), site, w.from, w.to)
		if a, b := fmt.Sprint(flat(got)), fmt.Sprint(flat(want)); a != b {
			t.Errorf("[%d, %d): through pieces\n%s\nfrom raw\n%s", w.from-monday, w.to-monday, a, b)
		}
	}
	rep := mustCompute(t, WithPending(s, f), site, monday, monday+hourMS)
	check(t, figureOf(t, rep, "observed_time"), 3598, 0) // one pair lies across the restart
	check(t, figureOf(t, rep, "starts"), 1, 0)
	check(t, figureOf(t, rep, "load_cycles"), 2, 0)
	if err := s.Close(); err != nil {
		t.Fatalf("close: %v", err)
	}
	// Stopped: what the close has sealed is all there is.
	again, err := store.OpenReadOnly(dir, store.Options{})
	if err != nil {
		t.Fatalf("open read-only: %v", err)
	}
	defer again.Close()
	stopped := mustCompute(t, again, site, monday, monday+hourMS)
	if a, b := fmt.Sprint(flat(stopped)), fmt.Sprint(flat(rep)); a != b {
		t.Errorf("stopped\n%s\nrunning\n%s", a, b)
	}
}
