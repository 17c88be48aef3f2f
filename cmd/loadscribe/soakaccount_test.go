package main

import (
	"errors"
	"fmt"
	"testing"
	"time"

	"loadscribe/agent/scan"
	"loadscribe/agent/store"
	"loadscribe/simulator/serve"
)

// soakWindow is when a device could not be had, in milliseconds since the
// soak began.
type soakWindow struct{ fromMS, toMS int64 }

// soakRecovery is how long after its end a trouble may still cost readings: the
// pauses between attempts to open a line grow to 15 s, a silent device is asked
// each 20 timeouts, and a run of bad scans says so each 10 s.
const soakRecovery = 45 * time.Second

// soakAccount holds what the store has against what was due.
type soakAccount struct {
	troubles map[string][]soakWindow // by device

	due, good, bad, held, cut uint64 // held: within a run of bad scans, not stored; cut: by the stop of a run
	stray                     uint64 // bad or held, outside of any trouble that was made
	reasons                   map[scan.Reason]uint64
	lastSeq                   uint64
	injected                  [serve.NumFaults]uint64

	beganMS int64 // of the run
	groups  map[string]*soakGroup
}

// soakGroup is one poll group in one run.
type soakGroup struct {
	device   string
	periodMS int64
	index    int64 // of the last scan's due time
	badMS    int64 // when the last scan was, where it had no values; 0: it had
}

// begin starts the account of a run whose lines are due from beganMS on, in the
// soak's time; so much is the difference to the agent's monotonic clock.
func (c *soakAccount) begin(groups []*scan.Group, beganMS int64) {
	c.beganMS, c.groups = beganMS, map[string]*soakGroup{}
	for _, g := range groups {
		c.groups[g.Device+" "+g.Name] = &soakGroup{device: g.Device, periodMS: g.PeriodMS, index: -1}
	}
}

// take is the next scan of the record. Those it has seen before it leaves out.
func (c *soakAccount) take(sc *scan.Scan) error {
	if sc.Seq <= c.lastSeq {
		return nil
	}
	if sc.Seq != c.lastSeq+1 {
		return fmt.Errorf("scan %d follows %d", sc.Seq, c.lastSeq)
	}
	c.lastSeq = sc.Seq
	return c.scan(c.groups[sc.Group.Device+" "+sc.Group.Name], sc)
}

// end takes the rest of a run that was stopped at endedMS.
func (c *soakAccount) end(t *testing.T, dir string, endedMS int64) {
	t.Helper()
	s, err := store.OpenReadOnly(dir, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	err = s.Scans(store.ScanQuery{FromSeq: c.lastSeq + 1}, c.take)
	lasted := endedMS - c.beganMS
	for name, g := range c.groups {
		last := (lasted - 1) / g.periodMS // the last due time within the run
		// What is being asked when the agent stops is no outcome.
		if left := last - g.index; left > 0 && g.badMS == 0 {
			if left > 1 || lasted-last*g.periodMS > 1000 {
				err = errors.Join(err, fmt.Errorf("%s: the last scan of the run is of due time %d, not %d", name, g.index, last))
			}
			c.cut++
		} else if left > 0 {
			err = errors.Join(err, c.heldBack(g, last+1))
		}
		c.due += uint64(last + 1)
	}
	if err := errors.Join(err, s.Close()); err != nil {
		t.Errorf("run from %v: %v", time.Duration(c.beganMS)*time.Millisecond, err)
	}
}

// scan places a scan at its due time, and explains those before it that have none.
func (c *soakAccount) scan(g *soakGroup, sc *scan.Scan) error {
	index := sc.MonoMS / g.periodMS // the run's clock begins with it
	if index <= g.index {
		return fmt.Errorf("%s: two scans of due time %d", g.device, index)
	}
	var err error
	if index > g.index+1 {
		err = c.heldBack(g, index)
	}
	g.index, g.badMS = index, 0
	if sc.Reason == scan.Good {
		c.good++
		return err
	}
	g.badMS = max(sc.MonoMS, 1)
	c.bad++
	c.reasons[sc.Reason]++
	if sc.Reason == scan.Dropped {
		err = errors.Join(err, fmt.Errorf("%s: dropped at %d", g.device, sc.MonoMS))
	}
	if !c.troubled(g.device, c.beganMS+index*g.periodMS) {
		c.stray++
	}
	return err
}

// heldBack counts the due times of a group between its last scan and index. Their reason
// is that of the scan before them, which must be no older than the agent lets it be.
func (c *soakAccount) heldBack(g *soakGroup, index int64) error {
	const everyMS = 10_000 // poll's quietEvery
	for k := g.index + 1; k < index; k++ {
		dueMS := k * g.periodMS
		if g.badMS == 0 || dueMS-g.badMS >= everyMS+g.periodMS {
			return fmt.Errorf("%s, every %d ms: nothing is kept of what was due at %v, and nothing says why",
				g.device, g.periodMS, time.Duration(c.beganMS+dueMS)*time.Millisecond)
		}
		c.held++
		if !c.troubled(g.device, c.beganMS+dueMS) {
			c.stray++
		}
	}
	return nil
}

func (c *soakAccount) troubled(device string, atMS int64) bool {
	for _, w := range c.troubles[device] {
		if atMS >= w.fromMS-1000 && atMS <= w.toMS+soakRecovery.Milliseconds() {
			return true
		}
	}
	return false
}
