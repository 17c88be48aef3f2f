package dashboard

import (
	"errors"
	"net/http"

	"loadscribe/agent"
	"loadscribe/agent/analysis"
)

// levelsAnswer is /api/v1/levels.
type levelsAnswer struct {
	Machines []analysis.HeldLevels `json:"machines"`
}

// serveLevels tells from which levels the machines' states come.
func (s *Server) serveLevels(r *http.Request) (any, *apiError) {
	if q := parseQuery(r.URL.RawQuery, nil); q.err != nil {
		return nil, q.err
	}
	all, err := s.backend.Levels()
	if err != nil {
		return nil, unavailable("levels: %v", err)
	}
	return levelsAnswer{append([]analysis.HeldLevels{}, all...)}, nil
}

// serveLevelsChange makes levels hold that are learnt or given. The answer
// comes once the whole record is folded with them.
func (s *Server) serveLevelsChange(r *http.Request) (any, *apiError) {
	var asked agent.LevelsChange
	c, e := s.command(r, &asked)
	if e != nil {
		return nil, e
	}
	held, err := c.ChangeLevels(r.Context(), asked)
	switch {
	case errors.Is(err, analysis.ErrLevels):
		return nil, badParameter("", "%v", err)
	case err != nil:
		return nil, unavailable("levels: %v", err)
	}
	return held, nil
}
