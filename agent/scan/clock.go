package scan

import "time"

// Clock gives the two times that a scan carries. Tests and the demo's fill
// bring their own.
type Clock interface {
	// Now returns monotonic milliseconds since a fixed moment of this process
	// and the wall clock in Unix milliseconds, UTC, read together.
	Now() (monoMS, wallMS int64)
}

// SystemClock is the machine's own clock. Its monotonic time counts from the
// call of NewSystemClock and goes on while the computer sleeps, where the
// system has such a clock: a night in which the lid was shut is then a gap of a
// night, and no step of the wall clock.
type SystemClock struct {
	start   time.Time
	startup time.Duration // sinceBoot at start; negative: there is none
}

// NewSystemClock starts a clock at now.
func NewSystemClock() *SystemClock { return &SystemClock{start: time.Now(), startup: sinceBoot()} }

// Now implements Clock.
func (c *SystemClock) Now() (monoMS, wallMS int64) {
	now := time.Now()
	mono := now.Sub(c.start)
	if up := sinceBoot(); up >= 0 && c.startup >= 0 {
		mono = up - c.startup
	}
	return mono.Milliseconds(), now.UnixMilli()
}

// SleptMS is how long the computer has slept since the clock was started; 0
// where the system does not tell.
func (c *SystemClock) SleptMS() int64 {
	up := sinceBoot()
	if up < 0 || c.startup < 0 {
		return 0
	}
	// Go's monotonic clock stands still while the computer sleeps (Linux:
	// CLOCK_MONOTONIC)
	return max(0, (up - c.startup - time.Since(c.start)).Milliseconds())
}
