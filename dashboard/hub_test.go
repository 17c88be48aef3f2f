package dashboard

import (
	"encoding/json"
	"fmt"
	"testing"
	"time"

	"loadscribe/agent"
	"loadscribe/agent/store"
)

func scanUpdate(device, group string, value float64) agent.ScanUpdate {
	return agent.ScanUpdate{Time: noon, Device: device, Group: group, Reason: "good", Values: map[string]*float64{device + ".x": &value}}
}

// drain takes everything out of a client's queue.
func drain(h *hub, c *client) []message {
	var all []message
	for {
		m, ok := h.next(c)
		if !ok {
			return all
		}
		all = append(all, m)
	}
}

func mustPublish(t *testing.T, h *hub, kind string, data any) {
	t.Helper()
	if err := h.publish(kind, data, time.UnixMilli(noon)); err != nil {
		t.Fatal(err)
	}
}

func mustAdd(t *testing.T, h *hub, kick func()) *client {
	t.Helper()
	c, e := h.add(kick)
	if e != nil {
		t.Fatal(e.message)
	}
	return c
}

func TestSequenceAndSnapshot(t *testing.T) {
	h := newHub()
	mustPublish(t, h, "scan", scanUpdate("d", "1s", 1)) // seq 1, nobody listens
	c := mustAdd(t, h, func() {})
	mustPublish(t, h, "scan", scanUpdate("d", "1s", 2))
	mustPublish(t, h, "event", store.Event{Seq: 9, WallMS: noon, Kind: "note"})
	got := drain(h, c)
	if len(got) != 3 || !got[0].snapshot || got[0].seq != 1 || got[1].seq != 2 || got[2].seq != 3 {
		t.Fatalf("queue %+v", got)
	}
	var e struct {
		Seq  uint64
		Type string
		Data agent.Event
	}
	if err := json.Unmarshal(got[2].data, &e); err != nil || e.Seq != 3 || e.Type != "event" || e.Data.Seq != 9 {
		t.Errorf("%s: %+v %v", got[2].data, e, err)
	}
}

// A snapshot asked for in the middle holds all that was said about subjects
// before it; events before it still come, in order.
func TestSnapshotOnRequest(t *testing.T) {
	h := newHub()
	c := mustAdd(t, h, func() {})
	drain(h, c)
	mustPublish(t, h, "scan", scanUpdate("d", "1s", 1))
	mustPublish(t, h, "event", store.Event{Kind: "note"})
	mustPublish(t, h, "state", agent.MachineState{Machine: "comp1"})
	h.snapshot(c)
	h.snapshot(c) // one is enough
	mustPublish(t, h, "scan", scanUpdate("d", "1s", 2))
	got := drain(h, c)
	if len(got) != 3 || got[0].seq != 2 || !got[1].snapshot || got[1].seq != 3 || got[2].seq != 4 {
		t.Fatalf("queue %+v", got)
	}
	h.snapshot(c)
	if got := drain(h, c); len(got) != 1 || !got[0].snapshot || got[0].seq != 4 {
		t.Errorf("second snapshot: %+v", got)
	}
}

func TestCoalescingKeepsTheLatest(t *testing.T) {
	h := newHub()
	h.limits.queue = 20
	kicked := 0
	c := mustAdd(t, h, func() { kicked++ })
	drain(h, c)
	for i := range 1000 {
		mustPublish(t, h, "scan", scanUpdate(fmt.Sprintf("d%d", i%3), "1s", float64(i)))
		h.mu.Lock()
		n := len(c.queue)
		h.mu.Unlock()
		if n > h.limits.queue {
			t.Fatalf("%d messages in a queue of %d", n, h.limits.queue)
		}
	}
	mustPublish(t, h, "device", agent.DeviceState{Device: "d0", Up: true})
	mustPublish(t, h, "event", store.Event{Kind: "note"})
	got := drain(h, c)
	last := map[string]uint64{}
	for i, m := range got {
		last[m.key] = m.seq
		if i > 0 && m.seq <= got[i-1].seq {
			t.Errorf("seq %d after %d", m.seq, got[i-1].seq)
		}
	}
	for key, want := range map[string]uint64{"scan/d0/1s": 1000, "scan/d1/1s": 998, "scan/d2/1s": 999, "device/d0": 1001, "": 1002} {
		if last[key] != want {
			t.Errorf("latest of %q has seq %d, want %d", key, last[key], want)
		}
	}
	if kicked != 0 {
		t.Error("a client was closed that could have been served with the latest values")
	}
	if int(h.coalesced.Load()) != 1002-len(got) {
		t.Errorf("%d counted as coalesced, %d are missing", h.coalesced.Load(), 1002-len(got))
	}
}

func TestStillBehindIsClosed(t *testing.T) {
	h := newHub()
	h.limits.queue = 20
	kicked := 0
	slow := mustAdd(t, h, func() { kicked++ })
	quick := mustAdd(t, h, func() { t.Error("the quick client was closed") })
	for i := range 100 {
		mustPublish(t, h, "event", store.Event{Seq: uint64(i)}) // every one counts: nothing to coalesce
		drain(h, quick)
	}
	if kicked != 1 || h.kicked.Load() != 1 {
		t.Errorf("closed %d times, counted %d", kicked, h.kicked.Load())
	}
	if got := drain(h, slow); len(got) != 0 {
		t.Errorf("%d messages are kept for a closed client", len(got))
	}
}

func TestFiguresChangedIsRare(t *testing.T) {
	h := newHub()
	c := mustAdd(t, h, func() {})
	drain(h, c)
	now := time.UnixMilli(noon)
	for i := range 100 { // 100 s
		if err := h.publish("figures_changed", nil, now.Add(time.Duration(i)*time.Second)); err != nil {
			t.Fatal(err)
		}
	}
	if got := drain(h, c); len(got) != 10 || string(got[0].data) != `{"seq":1,"type":"figures_changed","data":{}}` {
		t.Errorf("%d messages in 100 s, first %s", len(got), got[0].data)
	}
}

func TestClientsAreBounded(t *testing.T) {
	h := newHub()
	h.limits.clients = 2
	a := mustAdd(t, h, func() {})
	mustAdd(t, h, func() {})
	if _, e := h.add(func() {}); e == nil || e.status != 503 {
		t.Errorf("a third client of two: %v", e)
	}
	h.remove(a)
	mustAdd(t, h, func() {})
	h.close()
	if _, e := h.add(func() {}); e == nil || e.status != 503 {
		t.Errorf("a client while closing: %v", e)
	}
	if h.refused.Load() != 1 {
		t.Errorf("%d refused", h.refused.Load())
	}
}
