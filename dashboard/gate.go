package dashboard

import (
	"net/http"
	"time"
)

// gate bounds how many requests of a kind work at once, so that many pages that
// ask for a year at the same time cannot take the machine from the polling.
type gate struct{ slots chan struct{} }

// gateWait is how long a request waits for its turn.
const gateWait = 15 * time.Second

func newGate(n int) *gate { return &gate{make(chan struct{}, n)} }

// take waits for a slot; release gives it back.
func (g *gate) take(r *http.Request) (release func(), e *apiError) {
	timer := time.NewTimer(gateWait)
	defer timer.Stop()
	return g.takeBy(r, timer.C)
}

// takeBy waits until end.
func (g *gate) takeBy(r *http.Request, end <-chan time.Time) (release func(), e *apiError) {
	select {
	case g.slots <- struct{}{}:
		return func() { <-g.slots }, nil
	case <-r.Context().Done():
		return nil, unavailable("the request was given up")
	case <-end:
		return nil, unavailable("%d requests of this kind are at work: ask again in a moment", cap(g.slots))
	}
}
