package dashboard

import (
	"errors"
	"net/http"
	"slices"

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
	switch wrong := (*analysis.DemandError)(nil); {
	case errors.As(err, &wrong):
		return nil, badParameter(wrong.Field, "%s", wrong.Message)
	case err != nil:
		return nil, unavailable("demand of %s: %v", system, err)
	}
	return d, nil
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
