package dashboard

import (
	"errors"
	"net/http"
	"slices"
	"time"

	"loadscribe/agent"
	"loadscribe/agent/analysis"
)

const defaultDemandStep = "15m"

func (s *Server) serveDemand(r *http.Request) (any, *apiError) {
	q := parseQuery(r.URL.RawQuery, []string{"from", "to", "system", "step"})
	fromMS, toMS := q.window(s.backend.Now(), s.location(), false)
	text := q.text("step")
	if text == "" {
		text = defaultDemandStep
	}
	stepMS, err := analysis.ParseDemandStep(text)
	if err != nil {
		q.fail(badParameter("step", "step %q: %v", clip(text), err))
	}
	if q.err != nil {
		return nil, q.err
	}
	system, e := s.oneSystem(q)
	if e != nil {
		return nil, e
	}
	d, err := s.backend.Demand(system, fromMS, toMS, stepMS)
	return d, demandRefused("demand of "+system, err)
}

// defaultNights is how far the quiet hours reach back where nobody says it.
const defaultNights = 7 * 24 * time.Hour

func (s *Server) serveNights(r *http.Request) (any, *apiError) {
	return ofNights(s, r, "quiet hours", s.backend.Nights)
}

func (s *Server) serveLeaks(r *http.Request) (any, *apiError) {
	return ofNights(s, r, "leaks", s.backend.Leaks)
}

// ofNights answers what is asked of one system's last nights.
func ofNights[A any](s *Server, r *http.Request, what string, ask func(system string, fromMS, toMS int64) (A, error)) (any, *apiError) {
	q := parseQuery(r.URL.RawQuery, []string{"from", "to", "system"})
	q.reachBack(s.backend.Now(), s.location(), defaultNights)
	fromMS, toMS := q.window(s.backend.Now(), s.location(), false)
	if q.err != nil {
		return nil, q.err
	}
	system, e := s.oneSystem(q)
	if e != nil {
		return nil, e
	}
	a, err := ask(system, fromMS, toMS)
	return a, demandRefused(what+" of "+system, err)
}

func (s *Server) serveLeakTag(r *http.Request) (any, *apiError) {
	var entry agent.LeakTagEntry
	c, e := s.command(r, &entry)
	if e != nil {
		return nil, e
	}
	event, err := c.TagLeak(entry)
	return event, refused("leak tag", err)
}

// demandRefused is what an error means for the client; nil where there is none.
func demandRefused(what string, err error) *apiError {
	switch wrong := (*analysis.DemandError)(nil); {
	case errors.As(err, &wrong):
		return badParameter(wrong.Field, "%s", wrong.Message)
	case err != nil:
		return unavailable("%s: %v", what, err)
	}
	return nil
}

// oneSystem is the system asked for, the only one where none is named.
func (s *Server) oneSystem(q *query) (string, *apiError) {
	var names []string
	for i := range s.backend.Site().Systems {
		names = append(names, s.backend.Site().Systems[i].Name)
	}
	system := q.text("system")
	switch {
	case system == "" && len(names) == 1:
		return names[0], nil
	case system == "":
		return "", badParameter("system", "system is missing: the site has %d (%s), so say which", len(names), list(names))
	case !slices.Contains(names, system):
		return "", notFound("system", "system %q is not in the site file: there are %s", clip(system), list(names))
	}
	return system, nil
}
