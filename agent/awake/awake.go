package awake

import (
	"context"
	"sync/atomic"
	"time"
)

// Sleep is whether the computer may fall asleep.
type Sleep string

const (
	Never   Sleep = "never"   // it cannot
	Held    Sleep = "held"    // not by itself, while a Keeper runs
	May     Sleep = "may"     // it is set to, or nothing that is set keeps it from it
	Unknown Sleep = "unknown" // its settings cannot be read, or not all of them
)

// State is how it stands with the computer's sleep. Its texts are for people.
type State struct {
	Sleep Sleep
	How   string // by what that is known, a phrase; empty: it is not
	Why   string // sentences
	Mend  string // what to do about it, sentences; empty: nothing
}

// lookEvery is how often settings are looked at: people change them by hand.
const lookEvery = time.Minute

// Keeper keeps the computer awake while it runs. Its methods may be called from
// several goroutines; a nil Keeper knows nothing.
type Keeper struct {
	hold  bool
	root  string // where the system's files begin
	state atomic.Pointer[State]
}

// New looks at the computer once; hold says whether Run asks it to stay awake.
func New(hold bool) *Keeper {
	k := &Keeper{hold: hold, root: "/"}
	k.see(request{})
	return k
}

func (k *Keeper) see(r request) State {
	s := look(k.root, r)
	k.state.Store(&s)
	return s
}

// State is what was last seen.
func (k *Keeper) State() State {
	if k == nil {
		return State{Sleep: Unknown, Why: "Nobody has looked whether this computer may fall asleep."}
	}
	return *k.state.Load()
}

// request is what was asked of the system: nothing, or with what success.
type request struct {
	asked bool
	err   error
}

// firstPause is the pause after a request that failed; each further one doubles it, up to
// lookEvery.
const firstPause = time.Second

// Run holds the computer awake until ctx ends, and looks again from time to time; what
// was lost, as when the system's message bus is started anew, is asked for again. seen
// is called with what it first sees, and when Sleep changes.
func (k *Keeper) Run(ctx context.Context, seen func(State)) error {
	var h holder
	defer h.release() // of the goroutine that asked
	pause := firstPause
	timer := time.NewTimer(0)
	defer timer.Stop()
	for before := Sleep(""); ; {
		var r request
		if k.hold {
			r = h.take(ctx, k.root)
		}
		if before != "" && ctx.Err() != nil {
			return nil
		}
		if s := k.see(r); s.Sleep != before {
			before = s.Sleep
			seen(s)
		}
		next := lookEvery
		if r.asked && r.err != nil {
			next, pause = pause, min(2*pause, lookEvery)
		} else {
			pause = firstPause
		}
		timer.Reset(next)
		select {
		case <-ctx.Done():
			return nil
		case <-h.lost:
			h.lost = nil // told
		case <-timer.C:
		}
	}
}
