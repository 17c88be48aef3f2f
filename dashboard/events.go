package dashboard

import (
	"crypto/subtle"
	"errors"
	"net/http"
	"slices"
	"strings"

	"loadscribe/agent"
	"loadscribe/agent/analysis"
	"loadscribe/agent/store"
)

// faultsAnswer is the API's FaultsAnswer.
type faultsAnswer struct {
	From   agent.Stamp   `json:"from"`
	To     agent.Stamp   `json:"to"`
	Faults []agent.Fault `json:"faults"`
}

// textAnswer is the API's TextAnswer.
type textAnswer struct {
	Hash string `json:"hash"`
	Text string `json:"text"`
}

func (s *Server) serveEvents(r *http.Request) (any, *apiError) {
	q := parseQuery(r.URL.RawQuery, []string{"from", "to", "limit", "cursor"}, "kind", "subject", "change")
	fromMS, toMS := q.window(s.backend.Now(), s.location(), false)
	limit := q.number("limit", defaultEvents, maxEvents)
	for _, word := range q.values["change"] {
		if !slices.Contains(analysis.TurnWords(), word) {
			q.fail(badParameter("change", "change %q is not known: use %s", word, strings.Join(analysis.TurnWords(), ", ")))
		}
	}
	if q.err != nil {
		return nil, q.err
	}
	page, err := s.backend.Events(agent.EventQuery{FromMS: fromMS, ToMS: toMS, Limit: limit, After: q.text("cursor"),
		Kinds: q.values["kind"], Subjects: q.values["subject"], Changes: q.values["change"]})
	if errors.Is(err, agent.ErrCursor) {
		return nil, badParameter("cursor", "cursor %v: give back what \"next\" said", err)
	}
	if field := (*agent.FieldError)(nil); errors.As(err, &field) {
		return nil, badParameter(field.Field, "%s", field.Message)
	}
	if err != nil {
		return nil, unavailable("events: %v", err)
	}
	return page, nil
}

func (s *Server) serveFaults(r *http.Request) (any, *apiError) {
	q := parseQuery(r.URL.RawQuery, []string{"from", "to"})
	fromMS, toMS := q.window(s.backend.Now(), s.location(), false)
	if q.err != nil {
		return nil, q.err
	}
	faults, err := s.backend.Faults(fromMS, toMS)
	if err != nil {
		return nil, unavailable("faults: %v", err)
	}
	return faultsAnswer{agent.Stamp(fromMS), agent.Stamp(toMS), append([]agent.Fault{}, faults...)}, nil
}

// serveText gives a version of a site file or map.
func (s *Server) serveText(r *http.Request) (any, *apiError) {
	q := parseQuery(r.URL.RawQuery, []string{"hash"})
	if q.err != nil {
		return nil, q.err
	}
	text, err := s.backend.Text(q.text("hash"))
	if errors.Is(err, store.ErrNoText) {
		return nil, notFound("hash", "%v; loadscribe events --kind config_changed --json lists the hashes", err)
	}
	if err != nil {
		return nil, unavailable("%v", err)
	}
	return textAnswer{q.text("hash"), string(text)}, nil
}

// bearsSecret reports whether a request comes from a local command, which may
// read agent.json.
func (s *Server) bearsSecret(r *http.Request) bool {
	token, ok := bearer(r)
	return ok && s.secret != "" && subtle.ConstantTimeCompare([]byte(token), []byte(s.secret)) == 1
}

func (s *Server) serveNote(r *http.Request) (any, *apiError) {
	var note agent.Note
	c, e := s.command(r, &note)
	if e != nil {
		return nil, e
	}
	event, err := c.AddNote(note)
	if field := (*agent.FieldError)(nil); errors.As(err, &field) {
		return nil, badParameter(field.Field, "%s", field.Message)
	}
	if err != nil {
		return nil, unavailable("%v", err)
	}
	return event, nil
}
