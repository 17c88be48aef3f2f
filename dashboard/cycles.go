package dashboard

import (
	"net/http"

	"loadscribe/agent/analysis"
)

// How many cycles and starts a request may list.
const defaultCycles, maxCycles = 600, 5000

func (s *Server) serveCycles(r *http.Request) (any, *apiError) {
	q := parseQuery(r.URL.RawQuery, []string{"from", "to", "machine", "limit"})
	fromMS, toMS := q.window(s.backend.Now(), s.location(), false)
	wanted := analysis.CyclesQuery{FromMS: fromMS, ToMS: toMS, Limit: q.number("limit", defaultCycles, maxCycles)}
	if q.err != nil {
		return nil, q.err
	}
	machine, e := s.oneMachine(q)
	if e != nil {
		return nil, e
	}
	cycles, err := s.backend.Cycles(machine, wanted)
	if err != nil {
		return nil, unavailable("cycles of %s: %v", machine, err)
	}
	return cycles, nil
}
