package dashboard

import (
	"errors"
	"net/http"
	"sync"
	"time"
)

// turns bounds exports. Few work at once, so that they cannot take the machine from
// the polling; one that waits for its client to take what it has works not, and lets
// another. Places bound how many there are, working or waiting, and a share how many
// places are one person's, so that nobody who reads slowly keeps others from theirs.
type turns struct {
	work   *gate
	places *gate

	mu     sync.Mutex // protects shares
	shares map[string]*share
}

// share is one person's; users are those who have or want a place of it.
type share struct {
	gate  *gate
	users int
}

const (
	exportsAtWork = 2
	exportPlaces  = 6
	exportsOfOne  = 2
)

func newTurns() *turns {
	return &turns{work: newGate(exportsAtWork), places: newGate(exportPlaces), shares: map[string]*share{}}
}

// turn is an export's; it is one goroutine's.
type turn struct {
	of      *turns
	r       *http.Request
	working bool
	places  []func() // give back what is held beside the work
}

// take waits for a turn, gateWait in all; end gives it back.
func (t *turns) take(r *http.Request) (*turn, *apiError) {
	timer := time.NewTimer(gateWait)
	defer timer.Stop()
	c := callerOf(r)
	own := &turn{of: t, r: r}
	gates := []*gate{t.join(own, c), t.places}
	if c.command {
		gates = gates[:1] // this computer's own commands find a place however many others came
	}
	for _, g := range gates {
		release, e := g.takeBy(r, timer.C)
		if e != nil {
			own.end()
			return nil, e
		}
		own.places = append(own.places, release)
	}
	if _, e := t.work.takeBy(r, timer.C); e != nil {
		own.end()
		return nil, e
	}
	own.working = true
	return own, nil
}

// join finds the share of who asks and counts its users, which end takes back.
func (t *turns) join(own *turn, c caller) *gate {
	name := "person " + c.name
	if c.command {
		name = "command"
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	s := t.shares[name]
	if s == nil {
		s = &share{gate: newGate(exportsOfOne)}
		t.shares[name] = s
	}
	s.users++
	own.places = append(own.places, func() {
		t.mu.Lock()
		defer t.mu.Unlock()
		if s.users--; s.users == 0 {
			delete(t.shares, name)
		}
	})
	return s.gate
}

// rest gives the work back and keeps the place.
func (o *turn) rest() {
	if o.working {
		<-o.of.work.slots
		o.working = false
	}
}

// aside lets another work while f waits for the client, then waits for its turn to
// work on; who waits longest is next.
func (o *turn) aside(f func() (int, error)) (int, error) {
	o.rest()
	n, err := f()
	if err != nil {
		return n, err
	}
	select {
	case o.of.work.slots <- struct{}{}:
		o.working = true
		return n, nil
	case <-o.r.Context().Done():
		return n, errors.Join(errGivenUp, o.r.Context().Err())
	}
}

var errGivenUp = errors.New("the request was given up")

// end gives back all that is held.
func (o *turn) end() {
	o.rest()
	for i := len(o.places) - 1; i >= 0; i-- {
		o.places[i]()
	}
	o.places = nil
}

// held counts places and work; zero: nothing is under way.
func (t *turns) held() int {
	t.mu.Lock()
	defer t.mu.Unlock()
	return len(t.work.slots) + len(t.places.slots) + len(t.shares)
}
