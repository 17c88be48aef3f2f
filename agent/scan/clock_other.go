//go:build !linux

package scan

import "time"

// asleep: no clock is used here that goes on while the computer sleeps. A sleep
// is then seen as a step of the wall clock.
func asleep() time.Duration { return 0 }

// sinceBoot and bootID: no name of a start of the computer is used here.
func sinceBoot() time.Duration { return 0 }
func bootID() string           { return "" }
