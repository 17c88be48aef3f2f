package dashboard

import (
	"net/http"

	"loadscribe/agent"
	"loadscribe/agent/replay"
)

// replayCancel is the API's ReplayCancel.
type replayCancel struct {
	ID string `json:"id"`
}

// replayMachines is the API's ReplayMachines.
type replayMachines struct {
	Machines []replay.Listed `json:"machines"`
}

// serveReplayMachines lists the invented machines that may take another's place.
func (s *Server) serveReplayMachines(r *http.Request) (any, *apiError) {
	if q := parseQuery(r.URL.RawQuery, nil); q.err != nil {
		return nil, q.err
	}
	all, err := replay.Examples()
	if err != nil { // the file is part of the program, and a test reads it
		return nil, unavailable("the list of machines cannot be read: %v", err)
	}
	return replayMachines{all}, nil
}

// serveReplayStart begins a replay, which goes on when the request has ended.
func (s *Server) serveReplayStart(r *http.Request) (any, *apiError) {
	var asked agent.ReplayRequest
	c, e := s.command(r, &asked)
	if e != nil {
		return nil, e
	}
	job, err := c.StartReplay(asked)
	return job, jobRefusal(err, agent.ErrNoJob, "id")
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
	return job, jobRefusal(err, agent.ErrNoJob, "id")
}

func (s *Server) serveReplayCancel(r *http.Request) (any, *apiError) {
	var asked replayCancel
	c, e := s.command(r, &asked)
	if e != nil {
		return nil, e
	}
	job, err := c.CancelReplay(asked.ID)
	return job, jobRefusal(err, agent.ErrNoJob, "id")
}
