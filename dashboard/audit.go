package dashboard

import (
	"net/http"

	"loadscribe/agent"
)

func (s *Server) serveAudit(r *http.Request) (any, *apiError) {
	if q := parseQuery(r.URL.RawQuery, nil); q.err != nil {
		return nil, q.err
	}
	audit, err := s.backend.Audit()
	if err != nil {
		return nil, unavailable("%v", err)
	}
	return audit, nil
}

func (s *Server) serveAuditBegin(r *http.Request) (any, *apiError) {
	var asked agent.AuditBegin
	c, e := s.command(r, &asked)
	if e != nil {
		return nil, e
	}
	event, err := c.BeginAudit(asked)
	return event, jobRefusal(err, agent.ErrNoJob, "")
}

func (s *Server) serveAuditMark(r *http.Request) (any, *apiError) {
	var asked agent.AuditMark
	c, e := s.command(r, &asked)
	if e != nil {
		return nil, e
	}
	event, err := c.MarkAudit(asked)
	return event, jobRefusal(err, agent.ErrNoJob, "")
}
