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
	return status, testRefusal(err)
}

func (s *Server) serveTestCancel(r *http.Request) (any, *apiError) {
	var asked testCancel
	c, e := s.command(r, &asked)
	if e != nil {
		return nil, e
	}
	status, err := c.CancelTest(asked.System)
	return status, testRefusal(err)
}

func (s *Server) serveTestWithdraw(r *http.Request) (any, *apiError) {
	var asked agent.TestWithdrawal
	c, e := s.command(r, &asked)
	if e != nil {
		return nil, e
	}
	event, err := c.WithdrawTest(asked)
	return event, testRefusal(err)
}

// testRefusal turns what the agent says of a guided test into an answer.
func testRefusal(err error) *apiError {
	var field *agent.FieldError
	switch {
	case err == nil:
		return nil
	case errors.As(err, &field):
		return badParameter(field.Field, "%s", field.Message)
	case errors.Is(err, agent.ErrNoTest):
		return notFound("system", "%v", err)
	}
	return unavailable("%v", err)
}
