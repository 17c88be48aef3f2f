package remote

import (
	"math/rand/v2"
	"time"
)

// Times between attempts.
const (
	firstWait = time.Second
	mostWait  = 5 * time.Minute
	// What a person must mend is not mended by trying.
	firstHeld = time.Minute
	mostHeld  = 10 * time.Minute
)

// waitAfter is how long to wait after the failures-th failure in a row (from 1). Up
// to a fifth less by chance, so that senders whose receiver went away do not all come
// back together; never less than the receiver asked for.
func waitAfter(a answer, failures int) time.Duration {
	first, most := firstWait, mostWait
	if a.verdict == held {
		first, most = firstHeld, mostHeld
	}
	wait := most
	if n := failures - 1; n < 9 { // 1 s · 2⁹ is more than 5 min
		wait = min(first<<n, most)
	}
	wait -= time.Duration(rand.Int64N(int64(wait / 5)))
	return max(wait, a.after)
}
