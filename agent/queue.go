package agent

import (
	"context"
	"sync"

	"loadscribe/agent/scan"
)

// queueScans bounds what waits for the writer: 64 devices at 4 scans a second
// through a disk that stalls for 60 s are 15 360 scans; four times that is
// about 20 MB at 40 channels.
const queueScans = 61_440

// queue hands scans from the lines to the writer. Offer never blocks: when the
// queue is full the oldest scan goes and is counted.
type queue struct {
	mu      sync.Mutex // protects ring, head, size, dropped
	ring    []scan.Scan
	most    int // the ring grows up to this
	head    int
	size    int
	dropped uint64
	ready   chan struct{} // holds one token when there may be scans
}

// firstRing is the ring's size while the writer keeps up.
const firstRing = 256

func newQueue(most int) *queue {
	return &queue{ring: make([]scan.Scan, min(most, firstRing)), most: most, ready: make(chan struct{}, 1)}
}

// grow doubles a full ring, up to most.
func (q *queue) grow() {
	bigger := make([]scan.Scan, min(q.most, 2*len(q.ring)))
	n := copy(bigger, q.ring[q.head:])
	copy(bigger[n:], q.ring[:q.head])
	q.ring, q.head = bigger, 0
}

// Offer implements poll.Sink.
func (q *queue) Offer(s scan.Scan) {
	q.mu.Lock()
	if q.size == len(q.ring) && q.size < q.most {
		q.grow()
	}
	if q.size == len(q.ring) {
		q.ring[q.head] = scan.Scan{}
		q.head = (q.head + 1) % len(q.ring)
		q.size--
		q.dropped++
	}
	q.ring[(q.head+q.size)%len(q.ring)] = s
	q.size++
	q.mu.Unlock()
	select {
	case q.ready <- struct{}{}:
	default:
	}
}

// take moves up to limit scans into batch, waiting for the first until the
// context ends. After the end it still hands out what is left, then nothing.
func (q *queue) take(ctx context.Context, batch []scan.Scan, limit int) []scan.Scan {
	for {
		q.mu.Lock()
		for len(batch) < limit && q.size > 0 {
			batch = append(batch, q.ring[q.head])
			q.ring[q.head] = scan.Scan{}
			q.head = (q.head + 1) % len(q.ring)
			q.size--
		}
		q.mu.Unlock()
		if len(batch) > 0 {
			return batch
		}
		select {
		case <-q.ready:
		case <-ctx.Done():
			select {
			case <-q.ready:
			default:
				return batch
			}
		}
	}
}

// Dropped returns how many scans were lost to a full queue.
func (q *queue) Dropped() uint64 {
	q.mu.Lock()
	defer q.mu.Unlock()
	return q.dropped
}
