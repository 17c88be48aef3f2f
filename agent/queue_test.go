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
	q := newQueue(most)
	next := int64(0)
	offer := func(n int) {
		for range n {
			q.Offer(scan.Scan{MonoMS: next})
			next++
		}
	}
	offer(200)
	taken := q.take(t.Context(), nil, 150)
	offer(3000)
	rest := q.take(t.Context(), nil, 5000)
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
	if left := q.take(ended, nil, 1); len(left) != 0 {
		t.Errorf("an empty queue handed out %d scans after the end", len(left))
	}
}
