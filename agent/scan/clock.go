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
// call of NewSystemClock.
type SystemClock struct{ start time.Time }

// NewSystemClock starts a clock at now.
func NewSystemClock() *SystemClock { return &SystemClock{start: time.Now()} }

// Now implements Clock.
func (c *SystemClock) Now() (monoMS, wallMS int64) {
	now := time.Now()
	return now.Sub(c.start).Milliseconds(), now.UnixMilli()
}
