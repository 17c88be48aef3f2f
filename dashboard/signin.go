package dashboard

import (
	"errors"
	"math"
	"net/http"
	"strconv"

	"loadscribe/agent"
	"loadscribe/dashboard/door"
)

// doorAnswer is the API's Door.
type doorAnswer struct {
	SignIn      bool      `json:"sign_in"`
	SetUp       bool      `json:"set_up"`
	Person      *doorSelf `json:"person"`
	Role        door.Role `json:"role"`
	IdleS       int       `json:"idle_s"`
	Fingerprint string    `json:"fingerprint"`
}

// doorSelf is the API's DoorSelf.
type doorSelf struct {
	Name string    `json:"name"`
	Role door.Role `json:"role"`
}

// The bodies of the API's POSTs.
type (
	doorSetUp struct {
		Code     string `json:"code"`
		Name     string `json:"name"`
		Password string `json:"password"`
	}
	doorIn struct {
		Name     string `json:"name"`
		Password string `json:"password"`
	}
	doorPassword struct {
		Old string `json:"old"`
		New string `json:"new"`
	}
	doorNothing struct{}
)

func (s *Server) doorRoutes(r *routing) {
	r.get("/api/v1/door", s.serveDoor)
	for path, h := range map[string]func(http.ResponseWriter, *http.Request) (*doorAnswer, *apiError){
		"/api/v1/door/set-up": s.serveSetUp, "/api/v1/door/in": s.serveIn, "/api/v1/door/out": s.serveOut, "/api/v1/door/password": s.servePassword,
	} {
		r.postTo(path, http.HandlerFunc(func(w http.ResponseWriter, q *http.Request) {
			a, e := h(w, q)
			if e != nil {
				writeError(w, e)
				return
			}
			writeJSON(w, http.StatusOK, a)
		}))
	}
	r.get("/api/v1/door/people", s.servePeople)
	r.post("/api/v1/door/people", s.servePerson)
	r.post("/api/v1/door/people/remove", s.serveRemove)
	r.get("/api/v1/door/sessions", s.serveSessions)
	r.post("/api/v1/door/sessions/end", s.serveSessionEnd)
	r.post("/api/v1/door/code", s.serveCode)
	r.post("/api/v1/door/scrape-token", s.serveScrapeToken)
}

func (s *Server) serveDoor(r *http.Request) (any, *apiError) {
	if q := parseQuery(r.URL.RawQuery, nil); q.err != nil {
		return nil, q.err
	}
	return s.doorFor(callerOf(r)), nil
}

// doorFor is what the door says to who asks.
func (s *Server) doorFor(c caller) *doorAnswer {
	a := &doorAnswer{SignIn: s.signIn, Role: c.role, Fingerprint: s.fingerprint()}
	if !s.signIn {
		return a
	}
	a.SetUp = s.door.NeedsSetUp()
	if c.session != nil {
		a.Person = &doorSelf{c.name, c.role}
		a.IdleS = int(s.door.Idle(c.role).Seconds())
	}
	return a
}

// enter answers who has just been let in, with the cookie.
func (s *Server) enter(w http.ResponseWriter, r *http.Request, token string) (*doorAnswer, *apiError) {
	who, _ := s.door.Use(token)
	if who == nil {
		return nil, s.notSignedIn(caller{})
	}
	// What the browser had before is over: a session is never taken over.
	if c := callerOf(r); c.session != nil {
		s.door.SignOut(c.session)
	}
	s.setCookie(w, r, token)
	return s.doorFor(caller{name: who.Name, role: who.Role, session: who.Session}), nil
}

// doorBody reads the body of a POST that is about signing in.
func (s *Server) doorBody(r *http.Request, into any) *apiError {
	if q := parseQuery(r.URL.RawQuery, nil); q.err != nil {
		return q.err
	}
	if e := readBody(r, into); e != nil {
		return e
	}
	if !s.signIn {
		return &apiError{http.StatusConflict, "", "no sign-in is asked for here: these pages are seen from this computer only, and sign_in in the site file does not ask for one"}
	}
	return nil
}

func (s *Server) serveSetUp(w http.ResponseWriter, r *http.Request) (*doorAnswer, *apiError) {
	var asked doorSetUp
	if e := s.doorBody(r, &asked); e != nil {
		return nil, e
	}
	token, err := s.door.SetUp(r.Context(), asked.Code, asked.Name, asked.Password, originOf(r))
	if err != nil {
		return nil, doorRefusal(w, err)
	}
	return s.enter(w, r, token)
}

func (s *Server) serveIn(w http.ResponseWriter, r *http.Request) (*doorAnswer, *apiError) {
	var asked doorIn
	if e := s.doorBody(r, &asked); e != nil {
		return nil, e
	}
	token, err := s.door.SignIn(r.Context(), asked.Name, asked.Password, originOf(r))
	if err != nil {
		return nil, doorRefusal(w, err)
	}
	return s.enter(w, r, token)
}

func (s *Server) serveOut(w http.ResponseWriter, r *http.Request) (*doorAnswer, *apiError) {
	if e := s.doorBody(r, &doorNothing{}); e != nil {
		return nil, e
	}
	if c := callerOf(r); c.session != nil {
		s.door.SignOut(c.session)
	}
	s.setCookie(w, r, "")
	return s.doorFor(caller{}), nil
}

func (s *Server) servePassword(w http.ResponseWriter, r *http.Request) (*doorAnswer, *apiError) {
	var asked doorPassword
	if e := s.doorBody(r, &asked); e != nil {
		return nil, e
	}
	c := callerOf(r)
	if c.session == nil {
		return nil, badParameter("", "a local command has no password: use loadscribe people password NAME")
	}
	token, err := s.door.ChangePassword(r.Context(), &door.Caller{Name: c.name, Role: c.role, Session: c.session}, asked.Old, asked.New, originOf(r))
	if err != nil {
		return nil, doorRefusal(w, err)
	}
	return s.enter(w, r, token)
}

// doorRefusal turns what the door says into an answer.
func doorRefusal(w http.ResponseWriter, err error) *apiError {
	var field *door.FieldError
	var limited *door.LimitedError
	switch {
	case errors.As(err, &field):
		return badParameter(field.Field, "%s", field.Message)
	case errors.As(err, &limited):
		w.Header().Set("Retry-After", strconv.Itoa(int(math.Ceil(limited.After.Seconds()))))
		return &apiError{http.StatusTooManyRequests, "", err.Error()}
	case errors.Is(err, door.ErrWrongPair):
		return &apiError{http.StatusUnauthorized, "password", err.Error()}
	case errors.Is(err, door.ErrNobody):
		return notFound("name", "%v", err)
	case errors.Is(err, door.ErrLastOperator):
		return &apiError{http.StatusConflict, "name", err.Error()}
	case errors.Is(err, door.ErrNoSession):
		return notFound("id", "%v", err)
	}
	return unavailable("%v", err)
}

func stampOrNil(ms int64) *agent.Stamp {
	if ms == 0 {
		return nil
	}
	stamp := agent.Stamp(ms)
	return &stamp
}
