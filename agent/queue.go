package agent

import (
	"cmp"
	"context"
	"slices"
	"sync"

	"loadscribe/agent/scan"
)

// queueBytes bounds the memory of scans that wait for the writer: 70 000 scans
// of 40 channels, 19 hours at one a second. 64 devices at 4 scans a second
// through a disk that stalls for 60 s are 15 360 of them, 7 MB.
const queueBytes = 32 << 20

// queue is the ring between polling and all that is slower. Offer never waits.
// Scans leave it by take, in order, once fresh has handed out a look at them,
// which waits for no disk. When it is full the oldest scan goes: that is counted, and the
// next take hands out scans with the reason Dropped at both ends of what is
// missing, so that the gap has its reason.
type queue struct {
	mu      sync.Mutex // protects all but the channels
	ring    []scan.Scan
	head    int
	size    int
	shown   int // of the first size scans, how many fresh has handed out
	bytes   int64
	most    int64
	dropped uint64
	lost    map[*scan.Group]*lostSpan // since the last take
	// each holds a token when there may be scans
	toShow, toTake chan struct{}
}

// lostSpan is what was dropped of one group between two takes.
type lostSpan struct {
	first, last scan.Scan // without values
	scans       uint64
}

// firstRing is the ring's size while the writer keeps up.
const firstRing = 256

func newQueue(mostBytes int64) *queue {
	return &queue{ring: make([]scan.Scan, firstRing), most: mostBytes, lost: map[*scan.Group]*lostSpan{},
		toShow: make(chan struct{}, 1), toTake: make(chan struct{}, 1)}
}

// sizeOf is about what a scan takes in memory: its own 112 bytes and its
// slices.
func sizeOf(s *scan.Scan) int64 { return 112 + 8*int64(len(s.Values)) + int64(len(s.Quality)) }

// grow doubles a full ring.
func (q *queue) grow() {
	bigger := make([]scan.Scan, 2*len(q.ring))
	n := copy(bigger, q.ring[q.head:])
	copy(bigger[n:], q.ring[:q.head])
	q.ring, q.head = bigger, 0
}

// pop removes the oldest scan. mu is held and size above 0.
func (q *queue) pop() scan.Scan {
	s := q.ring[q.head]
	q.ring[q.head] = scan.Scan{}
	q.head = (q.head + 1) % len(q.ring)
	q.size--
	q.shown = max(q.shown-1, 0)
	q.bytes -= sizeOf(&s)
	return s
}

// drop counts a scan that nobody will get.
func (q *queue) drop(s scan.Scan) {
	q.dropped++
	s.Reason, s.Values, s.Quality = scan.Dropped, nil, nil
	span := q.lost[s.Group]
	if span == nil {
		span = &lostSpan{first: s}
		q.lost[s.Group] = span
	}
	span.last = s
	span.scans++
}

// Offer implements poll.Sink.
func (q *queue) Offer(s scan.Scan) {
	q.mu.Lock()
	for q.size > 0 && q.bytes+sizeOf(&s) > q.most {
		q.drop(q.pop())
	}
	if q.size == len(q.ring) {
		q.grow()
	}
	q.ring[(q.head+q.size)%len(q.ring)] = s
	q.size++
	q.bytes += sizeOf(&s)
	q.mu.Unlock()
	tell(q.toShow)
}

// tell leaves a token where there is none.
func tell(ready chan<- struct{}) {
	select {
	case ready <- struct{}{}:
	default:
	}
}

// fresh copies up to limit scans that were not looked at before, waiting for
// the first until the context ends. Their slices belong to the queue's scans.
func (q *queue) fresh(ctx context.Context, limit int) (batch []scan.Scan) {
	await(ctx, q.toShow, func() bool {
		q.mu.Lock()
		defer q.mu.Unlock()
		for len(batch) < limit && q.shown < q.size {
			batch = append(batch, q.ring[(q.head+q.shown)%len(q.ring)])
			q.shown++
		}
		return len(batch) > 0
	})
	tell(q.toTake)
	return batch
}

// take removes up to limit scans that were looked at, waiting for the first until the context
// ends. After the end it still hands out what is left, then nothing. lost says
// what is missing before them, of which the batch begins with the marks.
func (q *queue) take(ctx context.Context, limit int) (batch []scan.Scan, lost []*lostSpan) {
	await(ctx, q.toTake, func() bool {
		q.mu.Lock()
		defer q.mu.Unlock()
		for _, span := range q.lost {
			lost = append(lost, span)
			batch = append(batch, span.first)
			if span.scans > 1 {
				batch = append(batch, span.last)
			}
		}
		clear(q.lost)
		slices.SortStableFunc(batch, func(a, b scan.Scan) int { return cmp.Compare(a.MonoMS, b.MonoMS) })
		for len(batch) < limit && q.shown > 0 {
			batch = append(batch, q.pop())
		}
		return len(batch) > 0
	})
	slices.SortFunc(lost, func(a, b *lostSpan) int { return cmp.Compare(a.first.Group.Device, b.first.Group.Device) })
	return batch, lost
}

// await tries until get succeeds, whenever ready says so; once more after the
// context's end.
func await(ctx context.Context, ready <-chan struct{}, get func() bool) {
	for !get() {
		select {
		case <-ready:
		case <-ctx.Done():
			get()
			return
		}
	}
}

// Dropped returns how many scans were lost to a full queue.
func (q *queue) Dropped() uint64 {
	q.mu.Lock()
	defer q.mu.Unlock()
	return q.dropped
}

// Waiting is how many scans are in the queue.
func (q *queue) Waiting() int {
	q.mu.Lock()
	defer q.mu.Unlock()
	return q.size
}
