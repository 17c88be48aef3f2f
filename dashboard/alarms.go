package dashboard

import (
	"net/http"

	"loadscribe/agent"
)

func (s *Server) serveAlarms(r *http.Request) (any, *apiError) {
	if q := parseQuery(r.URL.RawQuery, nil); q.err != nil {
		return nil, q.err
	}
	alarms, err := s.backend.Alarms()
	if err != nil {
		return nil, unavailable("alarms: %v", err)
	}
	return alarms, nil
}

func (s *Server) serveAlarmAck(r *http.Request) (any, *apiError) {
	var asked agent.AlarmAck
	c, e := s.command(r, &asked)
	if e != nil {
		return nil, e
	}
	alarms, err := c.AcknowledgeAlarm(asked)
	return alarms, jobRefusal(err, agent.ErrNoAlarm, "id")
}

func (s *Server) serveAlarmShelve(r *http.Request) (any, *apiError) {
	var asked agent.AlarmShelve
	c, e := s.command(r, &asked)
	if e != nil {
		return nil, e
	}
	alarms, err := c.ShelveAlarm(asked)
	return alarms, jobRefusal(err, agent.ErrNoAlarm, "rule")
}

func (s *Server) serveAlarmUnshelve(r *http.Request) (any, *apiError) {
	var asked agent.AlarmUnshelve
	c, e := s.command(r, &asked)
	if e != nil {
		return nil, e
	}
	alarms, err := c.UnshelveAlarm(asked)
	return alarms, jobRefusal(err, agent.ErrNoAlarm, "rule")
}

func (s *Server) serveAlarmTest(r *http.Request) (any, *apiError) {
	var asked agent.AlarmTest
	c, e := s.command(r, &asked)
	if e != nil {
		return nil, e
	}
	tested, err := c.TestAlarm(r.Context(), asked)
	return tested, jobRefusal(err, agent.ErrNoAlarm, "target")
}
