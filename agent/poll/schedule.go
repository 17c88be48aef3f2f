package poll

import (
	"cmp"
	"context"
	"math/rand/v2"
	"slices"
	"time"

	"loadscribe/agent/scan"
)

// How often bad scans are handed on.
const (
	// quietAfter is how long a group is without values before its bad scans
	// become rare.
	quietAfter = time.Minute
	// quietEvery is the least time between two bad scans from then on.
	quietEvery = 10 * time.Second
)

// groupReader makes the scans of one group over a line.
type groupReader interface {
	Group() *scan.Group
	read(ctx context.Context, w *wire, clock scan.Clock) scan.Scan
}

// slot is one group in a line's schedule.
type slot struct {
	reader groupReader
	unit   *unit
	period time.Duration
	due    time.Time
	index  int // among its device's groups
	learnt refresh

	// Of the run of bad scans that is going on; zero while there is none.
	badSince   time.Time
	badOffered time.Time
	badReason  scan.Reason
}

// advance moves the due time to the first one after now and returns how many
// were passed over. The due time is only ever moved by whole periods, hence
// cannot drift.
func (s *slot) advance(now time.Time) (missed int64) {
	missed = int64(max(now.Sub(s.due), 0) / s.period)
	s.due = s.due.Add(time.Duration(missed+1) * s.period)
	return missed
}

// worthOffering reports whether a bad scan is handed on: while there are no
// values for long, one each quietEvery is enough.
func (s *slot) worthOffering(now time.Time, reason scan.Reason) bool {
	if s.badSince.IsZero() {
		s.badSince = now
	}
	if reason == s.badReason && now.Sub(s.badSince) >= quietAfter && now.Sub(s.badOffered) < quietEvery {
		return false
	}
	s.badReason, s.badOffered = reason, now
	return true
}

// good ends a run of bad scans.
func (s *slot) good() { s.badSince, s.badOffered, s.badReason = time.Time{}, time.Time{}, scan.Good }

// next returns the slot that is to be served first: the one that waits
// longest; of those that fell due together the ones of the device that was
// asked last, so that a device's groups go one after another; then the shorter
// period, then the site's order.
func next(slots []*slot, last *unit) *slot {
	other := func(s *slot) int {
		if s.unit == last {
			return 0
		}
		return 1
	}
	return slices.MinFunc(slots, func(a, b *slot) int {
		return cmp.Or(a.due.Compare(b.due), cmp.Compare(other(a), other(b)), cmp.Compare(a.period, b.period))
	})
}

// The pauses between two attempts to open a port.
const (
	firstPause = 250 * time.Millisecond
	lastPause  = 15 * time.Second
)

// pauses gives growing pauses, each shortened by up to a fifth by chance, so
// that several lines to one box do not knock at the same time.
type pauses struct {
	failures int
	random   func() float64 // in [0, 1)
}

func (p *pauses) next() time.Duration {
	d := lastPause
	if p.failures < 6 { // 250 ms · 2⁶ = 16 s, above the cap
		d = firstPause << p.failures
	}
	p.failures++
	random := p.random
	if random == nil {
		random = rand.Float64
	}
	return d - time.Duration(random()*float64(d)/5)
}

func (p *pauses) reset() { p.failures = 0 }
