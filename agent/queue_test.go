package agent

import (
	"context"
	"testing"

	"loadscribe/agent/scan"
)

// TestQueueKeepsOrderAndCountsWhatItDrops fills a queue past its bound while
// some of it is taken: what is left is the newest, in order, and nothing is
// lost uncounted.
func TestQueueKeepsOrderAndCountsWhatItDrops(t *testing.T) {
	const most = 1000
	g := &scan.Group{Device: "d", PeriodMS: 1}
	empty := scan.Scan{Group: g}
	q := newQueue(most * sizeOf(&empty))
	next := int64(0)
	offer := func(n int) {
		for range n {
			q.Offer(scan.Scan{Group: g, MonoMS: next})
			next++
		}
	}
	offer(200)
	if seen := q.fresh(t.Context(), 150); len(seen) != 150 {
		t.Fatalf("shown: %d scans, want 150", len(seen))
	}
	taken, lost := q.take(t.Context(), 500) // of what was shown
	if len(taken) != 150 || len(lost) != 0 {
		t.Fatalf("took %d scans, %d spans are lost", len(taken), len(lost))
	}
	offer(3000)
	if seen := q.fresh(t.Context(), 10); seen[0].MonoMS != next-most || len(seen) != 10 {
		t.Errorf("shown: %d scans from %d on, want 10 from %d on", len(seen), seen[0].MonoMS, next-most)
	}
	q.fresh(t.Context(), 5000)
	rest, lost := q.take(t.Context(), 5000)
	if len(lost) != 1 || lost[0].scans != q.Dropped() || lost[0].first.MonoMS != 150 || lost[0].last.MonoMS != next-most-1 {
		t.Errorf("lost %+v, want one span from 150 to %d", lost, next-most-1)
	}
	for i, want := range []int64{150, next - most - 1} {
		if m := rest[i]; m.Reason != scan.Dropped || m.MonoMS != want {
			t.Errorf("mark %d is at %d with reason %v, want %d and dropped", i, m.MonoMS, m.Reason, want)
		}
	}
	rest = rest[2:]
	for i, s := range taken {
		if s.MonoMS != int64(i) {
			t.Fatalf("taken[%d] is scan %d", i, s.MonoMS)
		}
	}
	if len(rest) != most {
		t.Fatalf("%d scans are left, want the bound of %d", len(rest), most)
	}
	for i, s := range rest {
		if want := next - most + int64(i); s.MonoMS != want {
			t.Fatalf("rest[%d] is scan %d, want %d", i, s.MonoMS, want)
		}
	}
	if got, want := q.Dropped(), uint64(next)-uint64(len(taken)+len(rest)); got != want {
		t.Errorf("dropped: counted %d, truly %d", got, want)
	}
	ended, cancel := context.WithCancel(t.Context())
	cancel()
	if left, _ := q.take(ended, 1); len(left) != 0 {
		t.Errorf("an empty queue handed out %d scans after the end", len(left))
	}
}
