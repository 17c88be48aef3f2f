package poll

import (
	"context"
	"testing"
	"testing/synctest"
	"time"

	"loadscribe/agent/modbus"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// countedClient is a busClient whose framing counts.
type countedClient struct {
	Client
	stats modbus.Stats
}

func (c *countedClient) Stats() modbus.Stats { return c.stats }

// TestHealthCountsRequests: two devices of 20 ms each a second, one of which
// damages its answers and is asked twice; what is counted is what was asked.
func TestHealthCountsRequests(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBus(1, 2)
		b.units[2].err = modbus.ErrBadChecksum
		p := start(t, siteOf(2, time.Second), Options{Dial: b.dial})
		time.Sleep(100*time.Second - 500*time.Millisecond)
		h := p.Health()[0]
		var asked [3]uint64
		b.with(func() { asked = [3]uint64{0, uint64(b.units[1].asked), uint64(b.units[2].asked)} })
		good, bad := h.Devices[0], h.Devices[1]
		if good.Requests != asked[1] || good.Answers != 100 || good.Requests != 100 || len(good.Failures) != 0 || good.Retries != 0 {
			t.Errorf("u1 was asked %d times: %+v", asked[1], good)
		}
		if bad.Requests != asked[2] || bad.Requests != 200 || bad.Retries != 100 || bad.Failures[scan.BadChecksum] != 200 || bad.Answers != 0 {
			t.Errorf("u2 was asked %d times: %+v", asked[2], bad)
		}
		if want := (Replies{100, 20 * time.Millisecond, 20 * time.Millisecond, 20 * time.Millisecond, 20 * time.Millisecond}); good.Replies != want {
			t.Errorf("u1 replies %+v, want %+v", good.Replies, want)
		}
		// 20 ms of u1 and twice 20 ms of u2 in each second.
		if h.BusyOver != time.Minute || h.Busy != 60*60*time.Millisecond {
			t.Errorf("busy %v of %v, want 3.6s of 1m0s", h.Busy, h.BusyOver)
		}
		if h.Wire != nil || h.Reopened != 0 {
			t.Errorf("%+v", h)
		}
		p.stop()
	})
}

// TestHealthOverReopenings: what the framing counted is kept when the line is
// opened anew, and the busy share falls once nothing is asked.
func TestHealthOverReopenings(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBus(1)
		var clients []*countedClient
		p := start(t, siteOf(1, time.Second), Options{Dial: func(ctx context.Context, l *sitefile.Line) (Client, error) {
			c, err := b.dial(ctx, l)
			if err != nil {
				return nil, err
			}
			unit := modbus.UnitStats{Requests: 3, Answers: 2, Timeouts: 1, Late: 1, WorstLate: time.Second,
				MinReply: time.Duration(len(clients)+1) * 10 * time.Millisecond, MaxReply: time.Duration(len(clients)+1) * 30 * time.Millisecond}
			counted := &countedClient{c, modbus.Stats{Discarded: 5, Overflow: 1, Echo: len(clients) == 1, Units: map[byte]modbus.UnitStats{1: unit}}}
			clients = append(clients, counted)
			return counted, nil
		}})
		time.Sleep(3500 * time.Millisecond)
		b.with(func() { b.hangUp = 1 })
		time.Sleep(10 * time.Second)
		h := p.Health()[0]
		d := h.Devices[0]
		if len(clients) != 2 || h.Reopened != 1 || h.Wire == nil || *h.Wire != (WireHealth{10, 2, true}) {
			t.Fatalf("opened %d times: %+v, wire %+v", len(clients), h, h.Wire)
		}
		if d.Late != 2 || d.WorstLate != time.Second || d.Replies.Count != 4 || d.Replies.Min != 10*time.Millisecond || d.Replies.Max != 60*time.Millisecond {
			t.Errorf("both clients together: %+v", d)
		}
		if d.Failures[scan.PortGone] != 1 || d.Retries != 1 {
			t.Errorf("a lost connection is asked again once: %+v", d)
		}
		b.with(func() { b.gone = true })
		time.Sleep(2 * time.Minute)
		if h = p.Health()[0]; h.Busy != 0 || h.BusyOver != time.Minute || h.Wire == nil || h.Wire.Discarded < 10 {
			t.Errorf("after two minutes without a line: %+v", h)
		}
		p.stop()
	})
}

// TestHealthOfSilence: a request that nobody answers keeps the line busy.
func TestHealthOfSilence(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBus(1)
		b.units[1].off = true
		site := siteOf(1, time.Second)
		site.Lines[0].Timeout = 400 * time.Millisecond
		p := start(t, site, Options{Dial: b.dial})
		time.Sleep(2900 * time.Millisecond)
		h := p.Health()[0]
		if d := h.Devices[0]; d.Failures[scan.Timeout] != 3 || d.Requests != 3 || d.Replies.Count != 0 {
			t.Errorf("three timeouts: %+v", d)
		}
		// The first request waits the line's whole timeout, the next a quarter of it.
		if h.BusyOver != 2*time.Second || h.Busy != 500*time.Millisecond {
			t.Errorf("busy %v of %v, want 500ms of 2s", h.Busy, h.BusyOver)
		}
		p.stop()
	})
}

// TestBusyOverSeconds: a request that lasts over the end of a second counts in
// both, and what is older than a minute is forgotten.
func TestBusyOverSeconds(t *testing.T) {
	var b busy
	t0 := time.Now()
	at := func(s float64) time.Time { return t0.Add(time.Duration(s * float64(time.Second))) }
	if taken, over := b.share(t0); taken != 0 || over != 0 {
		t.Errorf("before anything: %v of %v", taken, over)
	}
	b.add(at(0), at(0.25))
	b.add(at(0.5), at(3.5))
	for now, want := range map[float64][2]time.Duration{
		0.9: {0, 0}, 1.2: {750 * time.Millisecond, time.Second}, 4.1: {3250 * time.Millisecond, 4 * time.Second},
	} {
		c := b
		if taken, over := c.share(at(now)); taken != want[0] || over != want[1] {
			t.Errorf("after %v s: %v of %v, want %v", now, taken, over, want)
		}
	}
	if taken, over := b.share(at(62.5)); taken != 1500*time.Millisecond || over != time.Minute {
		t.Errorf("after 62.5 s: %v of %v, want the 1.5 s of the seconds from 2 on", taken, over)
	}
	if taken, _ := b.share(at(500)); taken != 0 {
		t.Errorf("after 500 s: %v", taken)
	}
}

// TestHealthPercentiles: the 95 % of a text line's exchanges, nearest rank.
func TestHealthPercentiles(t *testing.T) {
	var tr trips
	for i := 1; i <= 100; i++ {
		tr.add(time.Duration(101-i) * time.Millisecond)
	}
	if got := [3]time.Duration{tr.at(0), tr.at(50), tr.at(95)}; got != [3]time.Duration{time.Millisecond, 50 * time.Millisecond, 95 * time.Millisecond} {
		t.Errorf("of 1 to 100 ms: %v", got)
	}
	if new(trips).at(95) != 0 {
		t.Error("of nothing there is a percentile")
	}
}
