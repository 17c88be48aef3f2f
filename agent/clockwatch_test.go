package agent

import (
	"context"
	"strings"
	"sync"
	"testing"

	"loadscribe/agent/scan"
)

// sleepyClock is a clock of a computer that sleeps.
type sleepyClock struct {
	manualClock
	sleepMu sync.Mutex
	slept   int64
}

func (c *sleepyClock) SleptMS() int64 {
	c.sleepMu.Lock()
	defer c.sleepMu.Unlock()
	return c.slept
}

func (c *sleepyClock) sleep(ms int64) {
	c.sleepMu.Lock()
	c.slept += ms
	c.sleepMu.Unlock()
	c.advance(ms) // both clocks go on
}

// TestSleepIsAGapAndAnEvent: a night with the lid shut is no step of the clock
// and no new segment, but a gap of a night that an event explains.
func TestSleepIsAGapAndAnEvent(t *testing.T) {
	const night = 8 * 3600_000
	site := loadTestSite(t, t.TempDir(), manyDevices(1), oneChannel)
	clock := &sleepyClock{manualClock: manualClock{mono: 1000, wall: testStartMS}}
	a, err := Open(site, Options{Dial: noLine, Clock: clock})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	failed := make(chan error, 3)
	stops := []func(){start(ctx, failed, a.show), start(ctx, failed, a.write), start(ctx, failed, a.keepEvents)}
	offer := func() {
		mono, wall := clock.Now()
		a.queue.Offer(scan.Scan{Group: a.groups[0], MonoMS: mono, WallMS: wall, Values: []int64{1}})
	}
	offer()
	eventually(t, "the scan before", func() bool { return a.store.LastSeq() == 1 })
	clock.sleep(night)
	offer()
	slept := func() (texts []string) {
		events, err := a.store.Events(0, 0, 0)
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range events {
			switch e.Kind {
			case "computer_slept":
				texts = append(texts, e.Text)
			case "clock_step":
				t.Errorf("event of a clock step: %s", e.Text)
			}
		}
		return texts
	}
	eventually(t, "the event", func() bool { return len(slept()) > 0 && a.store.LastSeq() == 2 })
	offer()
	eventually(t, "the scan after", func() bool { return a.store.LastSeq() == 3 })
	cancel()
	for _, stop := range stops {
		stop()
	}
	if texts := slept(); len(texts) != 1 || !strings.Contains(texts[0], "8h0m0s") {
		t.Errorf("events: %q", texts)
	}
	if n := len(a.store.Segments()); n != 1 {
		t.Errorf("%d segments, want 1", n)
	}
	if err := a.Close(); err != nil {
		t.Fatal(err)
	}
}

// TestClockThatIsNotSetIsSaid in the state, until it is set.
func TestClockThatIsNotSetIsSaid(t *testing.T) {
	site := loadTestSite(t, t.TempDir(), manyDevices(1), oneChannel)
	clock := &manualClock{mono: 1000, wall: 5000}
	a, err := Open(site, Options{Dial: noLine, Clock: clock})
	if err != nil {
		t.Fatal(err)
	}
	if a.State().Store.ClockSet {
		t.Error("a clock of 1970 is called set")
	}
	scanAt := func(mono, wall int64) scan.Scan {
		return scan.Scan{Group: a.groups[0], MonoMS: mono, WallMS: wall, Values: []int64{1}}
	}
	if err := a.store.Append([]scan.Scan{scanAt(2000, 6000), scanAt(3000, testStartMS)}); err != nil {
		t.Fatal(err)
	}
	if !a.State().Store.ClockSet {
		t.Error("the clock was set, and the state does not say so")
	}
	if err := a.Close(); err != nil {
		t.Fatal(err)
	}
}
