package dashboard

import (
	"net/http"
	"sync"
	"time"
)

const (
	// sharedFor is how old an answer may be that another has asked for. All pages ask
	// for the figures in the moment in which they hear that these have changed.
	sharedFor = time.Second
	// sharedMost bounds the answers that are kept; one more is not shared.
	sharedMost = 8
)

// shared gives one answer to all who ask the same thing within a second, so that
// a wall of pages costs little more than one. What may change an answer, other than the
// next reading, makes it forget.
type shared struct {
	mu      sync.Mutex // guards answers
	answers map[string]*sharedAnswer
}

type sharedAnswer struct {
	begun time.Time
	made  chan struct{} // closed when the rest is set
	body  any
	err   *apiError
}

// forget: who asks from now on gets a new answer.
func (s *shared) forget() {
	s.mu.Lock()
	defer s.mu.Unlock()
	clear(s.answers)
}

// find returns the answer to a question that is at hand or being made; first tells
// that it is the caller's to make.
func (s *shared) find(question string, now time.Time) (a *sharedAnswer, first bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for q, a := range s.answers {
		if now.Sub(a.begun) >= sharedFor {
			delete(s.answers, q)
		}
	}
	if a := s.answers[question]; a != nil {
		return a, false
	}
	a = &sharedAnswer{begun: now, made: make(chan struct{})}
	if s.answers == nil {
		s.answers = map[string]*sharedAnswer{}
	}
	if len(s.answers) < sharedMost {
		s.answers[question] = a
	}
	return a, true
}

// done answers as do does, and has what is alike computed anew: something was done.
func (s *Server) done(do answer) answer {
	return func(r *http.Request) (any, *apiError) {
		defer s.alike.forget()
		return do(r)
	}
}

// shared answers as make does, or as it did for another within the last second. An
// error is not shared: it may be of the other's connection.
func (s *Server) shared(make answer) answer {
	return func(r *http.Request) (any, *apiError) {
		a, first := s.alike.find(r.URL.Path+"?"+r.URL.RawQuery, time.Now())
		if first {
			a.body, a.err = make(r)
			close(a.made)
			return a.body, a.err
		}
		select {
		case <-a.made:
		case <-r.Context().Done():
			return nil, unavailable("the request was given up")
		}
		if a.err != nil {
			return make(r)
		}
		return a.body, nil
	}
}
