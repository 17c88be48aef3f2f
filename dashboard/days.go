package dashboard

import (
	"errors"
	"net/http"
	"time"

	"loadscribe/agent"
	"loadscribe/agent/analysis"
)

// defaultDays is the window of the days where none is asked for.
const defaultDays = 7 * 24 * time.Hour

func (s *Server) serveMoney(r *http.Request) (any, *apiError) {
	q := parseQuery(r.URL.RawQuery, []string{"from", "to", "machine", "system"})
	q.reachBack(s.backend.Now(), s.location(), defaultDays)
	fromMS, toMS := q.window(s.backend.Now(), s.location(), false)
	if q.err != nil {
		return nil, q.err
	}
	m, err := s.backend.Money(analysis.MoneyQuery{Machine: q.text("machine"), System: q.text("system"), FromMS: fromMS, ToMS: toMS})
	return m, refused("money", err)
}

func (s *Server) serveDays(r *http.Request) (any, *apiError) {
	q := parseQuery(r.URL.RawQuery, []string{"from", "to", "machine", "system"})
	q.reachBack(s.backend.Now(), s.location(), defaultDays)
	fromMS, toMS := q.window(s.backend.Now(), s.location(), false)
	if q.err != nil {
		return nil, q.err
	}
	d, err := s.backend.Days(analysis.DaysQuery{Machine: q.text("machine"), System: q.text("system"), FromMS: fromMS, ToMS: toMS})
	return d, refused("days", err)
}

func (s *Server) servePeriods(r *http.Request) (any, *apiError) {
	q := parseQuery(r.URL.RawQuery, []string{"first", "second", "machine", "system"})
	if q.err != nil {
		return nil, q.err
	}
	p, err := s.backend.Periods(agent.PeriodsRequest{First: q.text("first"), Second: q.text("second"), Machine: q.text("machine"), System: q.text("system")})
	return p, refused("periods", err)
}

// refused is what an error means for the client; nil where there is none.
func refused(what string, err error) *apiError {
	if field := (*agent.FieldError)(nil); errors.As(err, &field) {
		return badParameter(field.Field, "%s", field.Message)
	}
	if err != nil {
		return unavailable("%s: %v", what, err)
	}
	return nil
}
