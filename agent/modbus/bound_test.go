package modbus

import (
	"bytes"
	"errors"
	"testing"
	"time"

	"loadscribe/agent/modbus/frame"
)

// TestLateBound injects a late answer on both sides of the bound that doc.go
// writes down. The first request is never answered in time; its answer comes at
// late behind its deadline. The second request, of the same shape, is asked at
// once after the first.
func TestLateBound(t *testing.T) {
	const just = 20 * time.Millisecond
	for _, c := range []struct {
		name       string
		late       time.Duration
		second     frame.ReadRequest
		ownAnswer  bool // the second request's own answer follows
		stale, err bool // the second read gives the first one's data; it fails
	}{
		{"within the bound", rigTimeout - just, register(1), true, false, false},
		{"within the bound, no own answer", rigTimeout - just, register(1), false, false, true},
		{"past it, the own answer follows", rigTimeout + just, register(1), true, false, false},
		{"past it, no own answer: the hole", rigTimeout + just, register(1), false, true, false},
		{"past it, another shape", rigTimeout + just, registers(1, 2), false, false, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			var first, second []byte // the payloads
			script := func(n int, a ask, answer []byte) []step {
				payload := payloadOf(n, a.req)
				switch n {
				case 1:
					first = payload
					return []step{{rigTimeout + c.late, answer}}
				case 2:
					second = payload
					if !c.ownAnswer {
						return nil
					}
				}
				return []step{{time.Millisecond, answer}}
			}
			run(t, Config{Framing: RTU, Baud: 115200}, script, func(r *rig) {
				if _, err := r.client.Read(r.t.Context(), 3, register(1), rigTimeout); !errors.Is(err, ErrTimeout) {
					t.Fatalf("first read: %v", err)
				}
				got, err := r.client.Read(r.t.Context(), 3, c.second, rigTimeout)
				switch {
				case c.err:
					if err == nil {
						t.Errorf("got % X, want an error", got)
					}
				case err != nil:
					t.Error(err)
				case c.stale && !bytes.Equal(got, first):
					t.Errorf("got % X: the hole that doc.go describes is not there", got)
				case !c.stale && !bytes.Equal(got, second):
					t.Errorf("got % X, want % X", got, second)
				}
			})
		})
	}
}

// TestLatenessFades: what is learnt of a unit's lateness does not hold the line
// up for ever.
func TestLatenessFades(t *testing.T) {
	c := &Client{units: map[byte]*UnitStats{}}
	c.countLate(3, 8*time.Second)
	if got := c.worstLate(3); got != 8*time.Second {
		t.Errorf("learnt %v", got)
	}
	for range 64 {
		c.count(3, time.Millisecond, nil)
	}
	if got := c.worstLate(3); got < 2*time.Second || got > 4*time.Second { // 8 s · (63/64)⁶⁴ = 2.9 s
		t.Errorf("%v after 64 answers", got)
	}
	c.count(3, 0, ErrTimeout)
	before := c.worstLate(3)
	c.countLate(3, 100*time.Millisecond)
	if got := c.worstLate(3); got != before {
		t.Errorf("a lesser lateness made it %v of %v", got, before)
	}
	if u := c.UnitStats(3); u.WorstLate != 8*time.Second {
		t.Errorf("the worst seen is %v", u.WorstLate)
	}
}
