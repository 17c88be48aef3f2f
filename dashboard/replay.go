package dashboard

import (
	"errors"
	"net/http"

	"loadscribe/agent"
)

// replayCancel is the API's ReplayCancel.
type replayCancel struct {
	ID string `json:"id"`
}

// serveReplayStart begins a replay, which goes on when the request has ended.
func (s *Server) serveReplayStart(r *http.Request) (any, *apiError) {
	var asked agent.ReplayRequest
	c, e := s.command(r, &asked)
	if e != nil {
		return nil, e
	}
	job, err := c.StartReplay(asked)
	return job, replayRefusal(err)
}

// serveReplay tells how far a replay is, and in the end its answer.
func (s *Server) serveReplay(r *http.Request) (any, *apiError) {
	q := parseQuery(r.URL.RawQuery, []string{"id"})
	if q.err != nil {
		return nil, q.err
	}
	c, e := s.commands()
	if e != nil {
		return nil, e
	}
	if q.text("id") == "" {
		return nil, badParameter("id", "id is missing: give the one that the POST was answered with")
	}
	job, err := c.ReplayJob(q.text("id"))
	return job, replayRefusal(err)
}

func (s *Server) serveReplayCancel(r *http.Request) (any, *apiError) {
	var asked replayCancel
	c, e := s.command(r, &asked)
	if e != nil {
		return nil, e
	}
	job, err := c.CancelReplay(asked.ID)
	return job, replayRefusal(err)
}

// replayRefusal turns what the agent says of a replay into an answer.
func replayRefusal(err error) *apiError {
	var field *agent.FieldError
	switch {
	case err == nil:
		return nil
	case errors.As(err, &field):
		return badParameter(field.Field, "%s", field.Message)
	case errors.Is(err, agent.ErrNoReplay):
		return notFound("id", "%v", err)
	}
	return unavailable("%v", err) // also where too many are at work
}
