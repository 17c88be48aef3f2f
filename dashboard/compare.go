package dashboard

import (
	"errors"
	"net/http"

	"loadscribe/agent"
)

// serveCompare answers a comparison asked for by parameters; a production needs
// the body of a POST.
func (s *Server) serveCompare(r *http.Request) (any, *apiError) {
	q := parseQuery(r.URL.RawQuery, []string{"before", "after", "machine", "system", "model", "peak_months"}, "peak")
	if q.err != nil {
		return nil, q.err
	}
	return s.compare(agent.CompareRequest{Before: q.text("before"), After: q.text("after"), Machine: q.text("machine"),
		System: q.text("system"), Model: q.text("model"), Peak: q.values["peak"], PeakMonths: q.text("peak_months")})
}

// servePostedCompare is the same with everything in the body.
func (s *Server) servePostedCompare(r *http.Request) (any, *apiError) {
	if q := parseQuery(r.URL.RawQuery, nil); q.err != nil {
		return nil, q.err
	}
	var asked agent.CompareRequest
	if e := readBody(r, &asked); e != nil {
		return nil, e
	}
	return s.compare(asked)
}

func (s *Server) compare(asked agent.CompareRequest) (any, *apiError) {
	c, err := s.backend.Compare(asked)
	if field := (*agent.FieldError)(nil); errors.As(err, &field) {
		return nil, badParameter(field.Field, "%s", field.Message)
	}
	if err != nil {
		return nil, unavailable("compare: %v", err)
	}
	return c, nil
}
