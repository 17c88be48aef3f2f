package dashboard

import (
	"net/http"

	"loadscribe/agent"
	"loadscribe/dashboard/door"
)

// doorPeople is the API's DoorPeople.
type doorPeople struct {
	People []doorPerson `json:"people"`
}

// doorPerson is the API's DoorPerson.
type doorPerson struct {
	Name     string       `json:"name"`
	Role     door.Role    `json:"role"`
	Made     agent.Stamp  `json:"made"`
	LastIn   *agent.Stamp `json:"last_in"`
	Sessions int          `json:"sessions"`
}

// doorSessions is the API's DoorSessions.
type doorSessions struct {
	Sessions []doorSession `json:"sessions"`
}

// doorSession is the API's DoorSession.
type doorSession struct {
	ID    string      `json:"id"`
	Name  string      `json:"name"`
	Began agent.Stamp `json:"began"`
	Last  agent.Stamp `json:"last"`
	From  string      `json:"from"`
	This  bool        `json:"this"`
}

// The bodies of the API's POSTs, and what only local commands are answered.
type (
	doorPersonChange struct {
		Name     string    `json:"name"`
		Role     door.Role `json:"role,omitempty"`
		Password string    `json:"password,omitempty"`
	}
	doorPersonRemove struct {
		Name string `json:"name"`
	}
	doorSessionEnd struct {
		ID     string `json:"id,omitempty"`
		Others bool   `json:"others,omitempty"`
	}
	doorCode struct {
		Code string `json:"code"`
	}
	doorScrape struct {
		New bool `json:"new,omitempty"`
	}
	doorScrapeToken struct {
		Token string `json:"token"`
	}
)

// plainBody reads the body of a POST that takes no parameters.
func (s *Server) plainBody(r *http.Request, into any) *apiError {
	if q := parseQuery(r.URL.RawQuery, nil); q.err != nil {
		return q.err
	}
	if into != nil {
		if e := readBody(r, into); e != nil {
			return e
		}
	}
	if s.door == nil {
		return unavailable("there are no people here")
	}
	return nil
}

func (s *Server) servePeople(r *http.Request) (any, *apiError) {
	if e := s.plainBody(r, nil); e != nil {
		return nil, e
	}
	if err := s.door.Damage(); err != nil {
		return nil, unavailable("%v", err)
	}
	return s.people(), nil
}

func (s *Server) people() doorPeople {
	a := doorPeople{People: []doorPerson{}}
	for _, p := range s.door.People() {
		one := doorPerson{Name: p.Name, Role: p.Role, Made: agent.StampOf(p.Made), Sessions: p.Sessions}
		if p.LastIn != nil {
			one.LastIn = stampOrNil(p.LastIn.UnixMilli())
		}
		a.People = append(a.People, one)
	}
	return a
}

// by names who does something, for the event.
func (c caller) by() string {
	if c.name == "" {
		return "a local command"
	}
	return c.name
}

func (s *Server) servePerson(r *http.Request) (any, *apiError) {
	var asked doorPersonChange
	if e := s.plainBody(r, &asked); e != nil {
		return nil, e
	}
	if err := s.door.AddOrChange(r.Context(), callerOf(r).by(), asked.Name, asked.Role, asked.Password); err != nil {
		return nil, doorRefusal(nil, err)
	}
	return s.people(), nil
}

func (s *Server) serveRemove(r *http.Request) (any, *apiError) {
	var asked doorPersonRemove
	if e := s.plainBody(r, &asked); e != nil {
		return nil, e
	}
	if err := s.door.Remove(callerOf(r).by(), asked.Name); err != nil {
		return nil, doorRefusal(nil, err)
	}
	return s.people(), nil
}

func (s *Server) serveSessions(r *http.Request) (any, *apiError) {
	if e := s.plainBody(r, nil); e != nil {
		return nil, e
	}
	return s.sessions(callerOf(r)), nil
}

// whose is whose sessions a caller may see and end; empty: all.
func (c caller) whose() string {
	if c.role == door.Operate {
		return ""
	}
	return c.name
}

func (s *Server) sessions(c caller) doorSessions {
	a := doorSessions{Sessions: []doorSession{}}
	for _, one := range s.door.Sessions(c.whose()) {
		a.Sessions = append(a.Sessions, doorSession{
			ID: one.ID, Name: one.Name, Began: agent.StampOf(one.Began), Last: agent.StampOf(one.Last), From: one.From,
			This: c.session != nil && c.session.ID() == one.ID,
		})
	}
	return a
}

func (s *Server) serveSessionEnd(r *http.Request) (any, *apiError) {
	var asked doorSessionEnd
	if e := s.plainBody(r, &asked); e != nil {
		return nil, e
	}
	c := callerOf(r)
	switch {
	case asked.Others && asked.ID != "" || !asked.Others && asked.ID == "":
		return nil, badParameter("id", "give either id, or others")
	case asked.Others && c.session == nil:
		return nil, badParameter("others", "a local command has no session of its own: give an id")
	case asked.Others:
		s.door.EndOthers(c.name, c.session, "this session was ended by "+c.by())
	default:
		if err := s.door.EndSession(c.by(), asked.ID, c.whose()); err != nil {
			return nil, doorRefusal(nil, err)
		}
	}
	return s.sessions(c), nil
}

func (s *Server) serveCode(r *http.Request) (any, *apiError) {
	if e := s.plainBody(r, &doorNothing{}); e != nil {
		return nil, e
	}
	code, err := s.door.NewCode()
	if err != nil {
		return nil, &apiError{http.StatusConflict, "", err.Error()}
	}
	return doorCode{code}, nil
}

func (s *Server) serveScrapeToken(r *http.Request) (any, *apiError) {
	var asked doorScrape
	if e := s.plainBody(r, &asked); e != nil {
		return nil, e
	}
	token, err := s.door.ScrapeToken(asked.New)
	if err != nil {
		return nil, unavailable("%v", err)
	}
	return doorScrapeToken{token}, nil
}
