package transfer

import (
	"container/heap"

	"loadscribe/agent/scan"
)

// A scan's stamp is the middle of its exchange, its place in the store the end:
// a slow device's scan comes after a quick one's that began later. The store's
// order is therefore off from the order of stamps by half an exchange at most,
// which 30 s covers with the longest time-outs and retries that make sense.
const reorderMS = 30_000

// reorderMax bounds what is held: 8192 scans are 30 s of 270 scans a second.
// Beyond it the oldest goes out early, which costs order, never data.
const reorderMax = 8192

// reorder hands scans on in the order of their stamps within a segment.
type reorder struct {
	emit    func(*scan.Scan) error
	held    scanHeap
	spare   []*heldScan
	segment uint32
	newest  int64
}

// heldScan owns its slices, which are used again.
type heldScan struct {
	scan    scan.Scan
	values  []int64
	quality []scan.Reason
}

func newReorder(emit func(*scan.Scan) error) *reorder { return &reorder{emit: emit} }

// push takes a copy of s and hands on what can no longer be overtaken.
func (r *reorder) push(s *scan.Scan) error {
	if s.Segment != r.segment {
		if err := r.flush(); err != nil {
			return err
		}
		r.segment, r.newest = s.Segment, s.WallMS
	}
	r.newest = max(r.newest, s.WallMS)
	heap.Push(&r.held, r.copyOf(s))
	for len(r.held) > 0 && (r.held[0].scan.WallMS < r.newest-reorderMS || len(r.held) > reorderMax) {
		if err := r.pop(); err != nil {
			return err
		}
	}
	return nil
}

// flush hands on all that is held.
func (r *reorder) flush() error {
	for len(r.held) > 0 {
		if err := r.pop(); err != nil {
			return err
		}
	}
	return nil
}

func (r *reorder) pop() error {
	h := heap.Pop(&r.held).(*heldScan)
	r.spare = append(r.spare, h)
	return r.emit(&h.scan)
}

func (r *reorder) copyOf(s *scan.Scan) *heldScan {
	h := new(heldScan)
	if n := len(r.spare); n > 0 {
		h, r.spare = r.spare[n-1], r.spare[:n-1]
	}
	h.values = append(h.values[:0], s.Values...)
	h.quality = append(h.quality[:0], s.Quality...)
	h.scan = *s
	h.scan.Values = h.values
	if s.Quality != nil {
		h.scan.Quality = h.quality
	}
	return h
}

// scanHeap orders by stamp, then by place in the store.
type scanHeap []*heldScan

func (h scanHeap) Len() int { return len(h) }
func (h scanHeap) Less(i, j int) bool {
	a, b := &h[i].scan, &h[j].scan
	if a.WallMS != b.WallMS {
		return a.WallMS < b.WallMS
	}
	return a.Seq < b.Seq
}
func (h scanHeap) Swap(i, j int) { h[i], h[j] = h[j], h[i] }
func (h *scanHeap) Push(x any)   { *h = append(*h, x.(*heldScan)) }
func (h *scanHeap) Pop() any {
	old := *h
	last := old[len(old)-1]
	*h = old[:len(old)-1]
	return last
}
