package messenger

import (
	"errors"
	"math/rand/v2"
	"time"
)

// Times between attempts at one target.
const (
	firstWait = 10 * time.Second
	mostWait  = 15 * time.Minute
	// mostAfter bounds what a target may ask for: an hour without alarms is the
	// most that somebody else decides.
	mostAfter = time.Hour
	// attemptTime is the most that one attempt takes.
	attemptTime = time.Minute
	// orderlyTries is how often a message fails, by what may be the message itself,
	// before others pass it.
	orderlyTries = 3
)

// waitAfter is how long to wait after an attempt failed, the failures-th in a row
// (from 1). Up to a fifth less by chance, so that targets that went away
// together do not come back together.
func waitAfter(err error, failures int) time.Duration {
	wait := mostWait
	if n := failures - 1; n < 7 { // 10 s · 2⁷ is more than 15 min
		wait = min(firstWait<<n, mostWait)
	}
	var held *Held
	if errors.As(err, &held) {
		wait = mostWait // mended by a person, not by trying
	}
	wait -= time.Duration(rand.Int64N(int64(wait / 5)))
	var later *Later
	if errors.As(err, &later) {
		wait = max(wait, min(later.After, mostAfter))
	}
	return wait
}
