package dashboard

import (
	"errors"
	"net/http"

	"loadscribe/agent"
)

// testCancel is the API's TestCancel.
type testCancel struct {
	System string `json:"system,omitempty"`
}

func (s *Server) serveTests(r *http.Request) (any, *apiError) {
	if q := parseQuery(r.URL.RawQuery, nil); q.err != nil {
		return nil, q.err
	}
	tests, err := s.backend.Tests()
	if err != nil {
		return nil, unavailable("%v", err)
	}
	return tests, nil
}

func (s *Server) serveTestStart(r *http.Request) (any, *apiError) {
	var asked agent.TestAsk
	c, e := s.command(r, &asked)
	if e != nil {
		return nil, e
	}
	status, err := c.StartTest(asked)
	return status, jobRefusal(err, agent.ErrNoTest, "system")
}

func (s *Server) serveTestCancel(r *http.Request) (any, *apiError) {
	var asked testCancel
	c, e := s.command(r, &asked)
	if e != nil {
		return nil, e
	}
	status, err := c.CancelTest(asked.System)
	return status, jobRefusal(err, agent.ErrNoTest, "system")
}

func (s *Server) serveTestWithdraw(r *http.Request) (any, *apiError) {
	var asked agent.TestWithdrawal
	c, e := s.command(r, &asked)
	if e != nil {
		return nil, e
	}
	event, err := c.WithdrawTest(asked)
	return event, jobRefusal(err, agent.ErrNoTest, "system")
}

// jobRefusal turns what the agent says of a guided test or a replay into an answer;
// none is the error that there is no such one, field the parameter that named it.
func jobRefusal(err, none error, field string) *apiError {
	var wrong *agent.FieldError
	switch {
	case err == nil:
		return nil
	case errors.As(err, &wrong):
		return badParameter(wrong.Field, "%s", wrong.Message)
	case errors.Is(err, none):
		return notFound(field, "%v", err)
	}
	return unavailable("%v", err) // also where too many are at work
}
