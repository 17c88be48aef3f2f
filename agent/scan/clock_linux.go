package scan

import (
	"time"

	"golang.org/x/sys/unix"
)

// sinceBoot is the time since the computer was started, sleep included
// (clock_gettime(2), CLOCK_BOOTTIME); negative where it cannot be had.
func sinceBoot() time.Duration {
	var ts unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_BOOTTIME, &ts); err != nil {
		return -1
	}
	return time.Duration(ts.Nano())
}
