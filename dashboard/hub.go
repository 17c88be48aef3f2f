package dashboard

import (
	"encoding/json"
	"fmt"
	"strconv"
	"sync"
	"sync/atomic"
	"time"

	"loadscribe/agent"
	"loadscribe/agent/store"
)

// limits are the bounds of the live socket.
type limits struct {
	queue         int           // messages a client may be behind
	clients       int           // open at once
	figuresEvery  time.Duration // least time between two figures_changed
	snapshotEvery time.Duration // least time between two snapshots to one client
	write         time.Duration // to write one message
	pingEvery     time.Duration
	pingWait      time.Duration
}

// defaultLimits: 512 messages are a minute of eight a second; 256 clients are 200 pages
// and those that a network has lost and a ping has not found yet. A browser answers
// pings for a hidden tab too, so 75 s without an answer means that it is gone or
// asleep.
func defaultLimits() limits {
	return limits{
		queue: 512, clients: 256, figuresEvery: 10 * time.Second, snapshotEvery: time.Second,
		write: 10 * time.Second, pingEvery: 25 * time.Second, pingWait: 50 * time.Second,
	}
}

// message is one envelope. data is encoded once and shared by all clients, who
// only read it.
type message struct {
	seq  uint64
	key  string // subject of which only the latest counts; empty: every one counts
	data []byte
	// snapshot stands for the state, which is taken when its turn comes.
	snapshot bool
}

// hub hands each message to all clients. Publishing never waits for a client.
type hub struct {
	coalesced atomic.Int64 // messages left out because a newer one says more
	kicked    atomic.Int64 // clients closed because they were behind
	refused   atomic.Int64 // clients beyond limits.clients
	limits    limits       // set before the first client

	mu        sync.Mutex // protects what follows and all clients' queues
	seq       uint64
	clients   map[*client]struct{}
	closing   bool
	figuresAt time.Time

	// conns counts what serves the clients; close waits for it.
	conns sync.WaitGroup
}

// client is one connection's queue.
type client struct {
	wake chan struct{} // capacity 1: there is something in queue, or over is set
	kick func()        // ends the connection with a code; does not wait

	// under hub.mu
	queue   []message
	over    bool // kicked
	pending bool // a snapshot is in queue
}

func newHub() *hub { return &hub{limits: defaultLimits(), clients: map[*client]struct{}{}} }

func (h *hub) lastSeq() uint64 {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.seq
}

func (h *hub) count() int {
	h.mu.Lock()
	defer h.mu.Unlock()
	return len(h.clients)
}

// publish encodes data and queues it for every client.
func (h *hub) publish(kind string, data any, now time.Time) error {
	if !h.wanted(kind, now) {
		return nil
	}
	body, err := json.Marshal(shown(data))
	if err != nil {
		return fmt.Errorf("live message %s: %w", kind, err)
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	h.seq++
	m := message{seq: h.seq, key: subject(kind, data), data: envelope(h.seq, kind, body)}
	for c := range h.clients {
		h.push(c, m)
	}
	return nil
}

// wanted reports whether a message must be encoded at all. Without clients only
// the sequence goes on.
func (h *hub) wanted(kind string, now time.Time) bool {
	h.mu.Lock()
	defer h.mu.Unlock()
	if kind == "figures_changed" {
		if now.Sub(h.figuresAt) < h.limits.figuresEvery {
			return false
		}
		h.figuresAt = now
	}
	if len(h.clients) == 0 {
		h.seq++
		return false
	}
	return true
}

// shown turns what the agent has into what the API shows.
func shown(data any) any {
	switch d := data.(type) {
	case nil:
		return struct{}{}
	case store.Event:
		return agent.EventOf(d)
	case agent.DeviceState:
		return withErrors(d)
	}
	return data
}

// subject is what a message is the latest word on. Events all count.
func subject(kind string, data any) string {
	switch d := data.(type) {
	case agent.ScanUpdate:
		return kind + "/" + d.Device + "/" + d.Group
	case agent.MachineState:
		return kind + "/" + d.Machine
	case agent.DeviceState:
		return kind + "/" + d.Device
	case agent.LineState:
		return kind + "/" + d.Line
	case agent.TestStatus:
		return kind + "/" + d.System
	case nil:
		return kind
	}
	return ""
}

func envelope(seq uint64, kind string, body []byte) []byte {
	b := make([]byte, 0, len(body)+len(kind)+48)
	b = strconv.AppendUint(append(b, `{"seq":`...), seq, 10)
	b = strconv.AppendQuote(append(b, `,"type":`...), kind)
	b = append(append(b, `,"data":`...), body...)
	return append(b, '}')
}

// push queues m for c; h.mu is held.
func (h *hub) push(c *client, m message) {
	if c.over {
		return
	}
	if len(c.queue) >= h.limits.queue {
		h.coalesced.Add(int64(c.coalesce(nil)))
	}
	if len(c.queue) >= h.limits.queue {
		c.over, c.queue = true, nil
		h.kicked.Add(1)
		c.kick()
		return
	}
	c.queue = append(c.queue, m)
	c.signal()
}

// coalesce keeps the latest message of each subject, and none of those that
// also drops. It returns how many went.
func (c *client) coalesce(also func(message) bool) int {
	latest := make(map[string]int, len(c.queue))
	for i, m := range c.queue {
		if m.key != "" {
			latest[m.key] = i
		}
	}
	kept := c.queue[:0]
	for i, m := range c.queue {
		if m.key != "" && (latest[m.key] != i || (also != nil && also(m))) {
			continue
		}
		kept = append(kept, m)
	}
	gone := len(c.queue) - len(kept)
	clear(c.queue[len(kept):])
	c.queue = kept
	return gone
}

func (c *client) signal() {
	select {
	case c.wake <- struct{}{}:
	default: // already awake
	}
}

// add takes in a client whose first message will be a snapshot. It fails when
// the hub is full or closing. Who adds calls remove, and conns.Done at the end.
func (h *hub) add(kick func()) (*client, *apiError) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.closing {
		return nil, unavailable("the agent is stopping")
	}
	if len(h.clients) >= h.limits.clients {
		h.refused.Add(1)
		return nil, unavailable("%d pages are open: close some", h.limits.clients)
	}
	c := &client{wake: make(chan struct{}, 1), kick: kick}
	h.clients[c] = struct{}{}
	h.conns.Add(1)
	h.askSnapshot(c)
	return c, nil
}

func (h *hub) remove(c *client) {
	h.mu.Lock()
	defer h.mu.Unlock()
	delete(h.clients, c)
	c.over, c.queue = true, nil
}

// snapshot queues a snapshot for c, once until it is sent.
func (h *hub) snapshot(c *client) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.askSnapshot(c)
}

// askSnapshot needs h.mu. The state is taken when the snapshot's turn comes, so
// it holds all that was published until now: what is in the queue about
// subjects goes, what every one counts of stays.
func (h *hub) askSnapshot(c *client) {
	if c.over || c.pending {
		return
	}
	c.coalesce(func(message) bool { return true })
	c.pending = true
	c.queue = append(c.queue, message{seq: h.seq, snapshot: true})
	c.signal()
}

// next takes the first message out of c's queue.
func (h *hub) next(c *client) (m message, ok bool) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if len(c.queue) == 0 {
		return message{}, false
	}
	m = c.queue[0]
	c.queue[0] = message{}
	c.queue = c.queue[1:]
	if m.snapshot {
		c.pending = false
	}
	return m, true
}

// stalled counts a client whose write did not end in time, unless it was
// counted when its queue ran over.
func (h *hub) stalled(c *client) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if !c.over {
		c.over, c.queue = true, nil
		h.kicked.Add(1)
	}
}

// close lets no further client in.
func (h *hub) close() {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.closing = true
}
