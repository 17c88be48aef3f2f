package dashboard

import (
	"errors"
	"net/http"

	"loadscribe/agent"
)

// verifyRequest is the API's VerifyRequest.
type verifyRequest struct {
	Checkpoint string `json:"checkpoint,omitempty"`
}

// serveEvidence gives the newest checkpoint of the evidence log.
func (s *Server) serveEvidence(r *http.Request) (any, *apiError) {
	if q := parseQuery(r.URL.RawQuery, nil); q.err != nil {
		return nil, q.err
	}
	head, err := s.backend.Evidence()
	if err != nil { // also where the log has not begun: it soon will
		return nil, unavailable("%v", err)
	}
	return head, nil
}

// serveVerify makes the evidence log again and compares. It reads every block,
// so that it is for whoever may command.
func (s *Server) serveVerify(r *http.Request) (any, *apiError) {
	if q := parseQuery(r.URL.RawQuery, nil); q.err != nil {
		return nil, q.err
	}
	var asked verifyRequest
	if e := readBody(r, &asked); e != nil {
		return nil, e
	}
	v, err := s.backend.VerifyEvidence(r.Context(), asked.Checkpoint, nil)
	var field *agent.FieldError
	switch {
	case errors.As(err, &field):
		return nil, badParameter(field.Field, "%s", field.Message)
	case err != nil:
		return nil, unavailable("%v", err)
	}
	return v, nil
}
