package dashboard

import (
	"net/http"
	"time"
)

// serveMissed tells what the record lacks.
func (s *Server) serveMissed(r *http.Request) (any, *apiError) {
	q := parseQuery(r.URL.RawQuery, []string{"from", "to"})
	if q.err == nil && q.text("from") == "" {
		now := s.backend.Now()
		q.values.Set("from", q.time("to", now, now, s.location(), true).Add(-defaultDays).UTC().Format(time.RFC3339Nano))
	}
	fromMS, toMS := q.window(s.backend.Now(), s.location(), false)
	if q.err != nil {
		return nil, q.err
	}
	m, err := s.backend.Missed(fromMS, toMS)
	return m, refused("what was missed", err)
}
