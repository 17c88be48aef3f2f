package samples

import (
	"testing"
	"time"

	"loadscribe/agent/store"
)

// TestClockNotSet: scans of a clock that is not set wait until it is, and then have
// their true times; those of one that never was are left out.
func TestClockNotSet(t *testing.T) {
	r := newRig(t)
	r.run(time.Minute)
	g := got{}
	after := drain(t, r.source(), nil, 1000, g)
	was := len(g["device_up{controller}"])
	if err := r.store.Close(); err != nil {
		t.Fatal(err)
	}
	r.clock.mono, r.clock.wall = 100, 50_000 // 1970, and never set
	r.open()
	r.run(30 * time.Second)
	if err := r.store.Close(); err != nil {
		t.Fatal(err)
	}
	r.clock.mono, r.clock.wall = 100, 90_000
	r.open()
	r.run(30 * time.Second)
	s := r.source()
	after = drain(t, s, after, 1000, g)
	if len(g["device_up{controller}"]) != was {
		t.Fatalf("it did not wait: %s", g.text("device_up{controller}"))
	}
	r.clock.wall = noon + 600_000 // set: the last half minute began at 12:09:30
	r.run(30 * time.Second)
	drain(t, s, after, 1000, g)
	g.want(t, "device_up{controller}", "14=1 29=1 44=1 59=1 62=x 584=1 599=1 614=1")
	if n := s.Place().LeftOut[LeftUnset]; n != 45 {
		t.Errorf("%d scans of a clock that was never set, want 45", n)
	}
}

// onLook does something after the record was asked for its segments so many times.
type onLook struct {
	*store.Store
	looks int
	do    func()
}

func (o *onLook) Segments() []store.Segment {
	all := o.Store.Segments()
	if o.looks--; o.looks == 0 {
		o.do()
	}
	return all
}

// TestClockSetMeanwhile: a clock that is set while the Source looks costs no scan.
func TestClockSetMeanwhile(t *testing.T) {
	for looks := 1; looks < 5; looks++ {
		r := newRig(t)
		if err := r.store.Close(); err != nil {
			t.Fatal(err)
		}
		r.clock.mono, r.clock.wall = 100, 90_000
		r.open()
		r.run(30 * time.Second)
		g := got{}
		after := drain(t, r.source(), nil, 1000, g)
		look := &onLook{r.store, looks, func() {
			r.clock.wall = noon + 600_000
			r.run(30 * time.Second)
		}}
		s := New(look, r.options())
		for range 3 {
			after = drain(t, s, after, 1000, g)
		}
		if look.looks > 0 { // it looks less often than that
			break
		}
		g.want(t, "device_up{controller}", "584=1 599=1 614=1")
		if n := s.Place().LeftOut[LeftUnset]; n != 0 {
			t.Errorf("look %d: %d scans are left out", looks, n)
		}
	}
}

// TestClockSetBack: what lies at or behind the last stamp is left out, and no more.
func TestClockSetBack(t *testing.T) {
	r := newRig(t)
	r.run(time.Minute)
	r.clock.wall -= 40_000
	r.run(time.Minute) // from 12:00:20 again
	s, g := r.source(), got{}
	drain(t, s, nil, 1000, g)
	g.want(t, "device_up{controller}", "14=1 29=1 44=1 59=1 74=1")
	if s.Place().LeftOut[LeftClock] == 0 {
		t.Error("nothing counted")
	}
}

// TestLateScan: a scan of a slow line that is stored after one of the next cell opens no
// cell again: each cell has one sample of each counter, and nothing is left out as if
// the clock had been set back.
func TestLateScan(t *testing.T) {
	r := newRig(t)
	r.run(15 * time.Second)
	r.put("controller", 70, 1, 0)
	r.late("meter", 300*time.Millisecond, 100) // of 14.7 s
	r.pass(time.Second)
	r.run(30 * time.Second)
	s, g := r.source(), got{}
	drain(t, s, nil, 1000, g)
	g.want(t, "device_up{meter}", "14=1 28=1 44=1")
	g.want(t, "starts_total{comp1}", "14=0 29=0 44=0")
	if left := s.Place().LeftOut; len(left) > 0 {
		t.Errorf("left out %v", left)
	}
}
