package scan

import (
	"sync/atomic"
	"time"
)

// Clock gives the two times that a scan carries. Tests and the demo's fill
// bring their own.
type Clock interface {
	// Now returns monotonic milliseconds since a fixed moment of this process
	// and the wall clock in Unix milliseconds, UTC, read together.
	Now() (monoMS, wallMS int64)
}

// Booted is a Clock that knows the start of the computer. What two processes
// recorded under one start is then known to be so far apart, whatever the wall
// clock said.
type Booted interface {
	Clock
	// Boot names this start of the computer, and says how long after it the
	// monotonic time of Now began, in milliseconds; ok is false where the system
	// does not tell.
	Boot() (id string, beganMS int64, ok bool)
}

// SystemClock is the machine's own clock. Its monotonic time counts from the
// call of NewSystemClock and goes on while the computer sleeps, where the
// system has such a clock: a night in which the lid was shut is then a gap of a
// night, and no step of the wall clock.
type SystemClock struct {
	start  time.Time
	behind time.Duration // asleep at start
	slept  atomic.Int64  // since then, in nanoseconds; never falls
	up     time.Duration // of the computer at start; 0: not known
}

// leastSleep is what counts as a sleep: the two clocks behind asleep are read
// one after the other.
const leastSleep = 50 * time.Millisecond

// NewSystemClock starts a clock at now.
func NewSystemClock() *SystemClock {
	// the greatest of several: one may be too small, none too great
	return &SystemClock{start: time.Now(), behind: max(asleep(), asleep(), asleep()), up: sinceBoot()}
}

// Boot implements Booted.
func (c *SystemClock) Boot() (id string, beganMS int64, ok bool) {
	id = bootID()
	return id, c.up.Milliseconds(), id != "" && c.up != 0
}

// Now implements Clock.
func (c *SystemClock) Now() (monoMS, wallMS int64) {
	now := time.Now()
	return (now.Sub(c.start) + c.sleep()).Milliseconds(), now.UnixMilli()
}

// SleptMS is how long the computer has slept since the clock was started; 0
// where the system does not tell.
func (c *SystemClock) SleptMS() int64 { return c.sleep().Milliseconds() }

// sleep is what Go's monotonic clock, which stands still while the computer
// sleeps (Linux: CLOCK_MONOTONIC), has missed since the clock was started.
func (c *SystemClock) sleep() time.Duration {
	known := c.slept.Load()
	if all := int64(asleep() - c.behind); all-known >= int64(leastSleep) && c.slept.CompareAndSwap(known, all) {
		return time.Duration(all)
	}
	return time.Duration(c.slept.Load())
}
