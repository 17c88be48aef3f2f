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
	state atomic.Pointer[State]
}

// New looks at the computer once; hold says whether Run asks it to stay awake.
func New(hold bool) *Keeper {
	k := &Keeper{hold: hold}
	k.see(request{})
	return k
}

func (k *Keeper) see(r request) State {
	s := look(r)
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

// Run holds the computer awake until ctx ends, and looks again from time to time. seen
// is called with what it first sees, and when Sleep changes.
func (k *Keeper) Run(ctx context.Context, seen func(State)) error {
	var r request
	if k.hold {
		release, asked, err := hold()
		defer release()
		r = request{asked, err}
	}
	every := time.NewTicker(lookEvery)
	defer every.Stop()
	for before := Sleep(""); ; {
		if s := k.see(r); s.Sleep != before {
			before = s.Sleep
			seen(s)
		}
		select {
		case <-ctx.Done():
			return nil
		case <-every.C:
		}
	}
}
