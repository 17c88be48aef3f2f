package poll

import (
	"time"

	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// How a silent device is treated.
const (
	// silentRounds is how many due times in a row a device may stay silent and
	// still be asked at each of them. As many missing scans make a gap anyway.
	silentRounds = 3
	// probePause is the pause between two probes of a silent device, in
	// timeouts: its neighbours lose at most 1 part in 20 to it.
	probePause = 20
	// A silent device is waited for more briefly: a quarter of the line's
	// timeout where it never answered, else four times its slowest answer.
	shortShare  = 4
	shortFactor = 4
	// leastTimeout is the shortest wait of a probe: adapters hand bytes on
	// every 16 ms, and a gateway adds its own time.
	leastTimeout = 50 * time.Millisecond
	// fullProbe: every so many probes one waits the full timeout, so that a
	// device that answers slowly is found again.
	fullProbe = 4
)

// unit is what the line's goroutine knows of one device. It is not shared.
type unit struct {
	index   int // in the line's units and its book
	device  *sitefile.Device
	verify  *verifier     // nil: nothing is expected
	full    time.Duration // the line's timeout
	trouble trouble
	detail  string // of the last failure
	reading string // what is said of the line while it is asked

	silent  int         // due times in a row without an answer
	probes  int         // since the device was given up
	askedAt time.Time   // end of the last exchange without an answer
	probeAt time.Time   // when the device may be asked again
	reason  scan.Reason // of that exchange
}

// timeout returns how long the next request to the device may take. slowest is
// its slowest answer of late, zero when there was none.
func (u *unit) timeout(slowest time.Duration) time.Duration {
	if u.silent == 0 || u.silent >= silentRounds && u.probes%fullProbe == fullProbe-1 {
		return u.full
	}
	short := u.full / shortShare
	if slowest > 0 {
		short = shortFactor * slowest
	}
	return min(max(short, leastTimeout), u.full)
}

// rests reports whether a group that fell due at due is not worth asking for
// at now: the device is being left alone, or stayed silent after that time.
func (u *unit) rests(due, now time.Time) bool {
	if u.silent == 0 {
		return false
	}
	return now.Before(u.probeAt) || !due.After(u.askedAt)
}

// heard notes that the device answered in some way.
func (u *unit) heard() { u.silent, u.probes = 0, 0 }

// unheard notes an exchange that waited for timeout and got nothing that fits.
func (u *unit) unheard(now time.Time, timeout time.Duration, reason scan.Reason) {
	if u.silent >= silentRounds {
		u.probes++
	}
	u.silent++
	u.reason, u.askedAt, u.probeAt = reason, now, now
	if u.silent >= silentRounds {
		u.probeAt = now.Add(probePause * timeout)
		u.verify.forget() // another device may answer after the silence
	}
}
