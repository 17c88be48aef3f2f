package scan

import (
	"os"
	"strings"
	"time"

	"golang.org/x/sys/unix"
)

// asleep is how long the computer has slept since it was started: its clock
// that goes on while it sleeps less the one that does not (clock_gettime(2),
// CLOCK_BOOTTIME and CLOCK_MONOTONIC), or less by the time between the two
// calls, however long that is, never more; 0 where they cannot be had.
func asleep() time.Duration {
	var all, awake unix.Timespec
	if unix.ClockGettime(unix.CLOCK_BOOTTIME, &all) != nil || unix.ClockGettime(unix.CLOCK_MONOTONIC, &awake) != nil {
		return 0
	}
	return time.Duration(all.Nano() - awake.Nano())
}

// sinceBoot is how long ago the computer was started, its sleeps included; 0
// where that cannot be had.
func sinceBoot() time.Duration {
	var all unix.Timespec
	if unix.ClockGettime(unix.CLOCK_BOOTTIME, &all) != nil {
		return 0
	}
	return time.Duration(all.Nano())
}

// bootID is the kernel's name for this start, random(4); empty where it cannot
// be read.
func bootID() string {
	b, err := os.ReadFile("/proc/sys/kernel/random/boot_id")
	if err != nil {
		return ""
	}
	return strings.TrimSpace(string(b))
}
