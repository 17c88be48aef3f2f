package dashboard

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"strings"

	"loadscribe/agent"
	"loadscribe/agent/analysis"
	"loadscribe/agent/hookup"
)

// Commands is a Backend that also has lines, and takes what a person at the
// machine says. A running agent is one, a stopped store is not.
type Commands interface {
	// Hookup tells how far the hook-up check is.
	Hookup() hookup.Report
	// HookupStart begins the check of a machine anew.
	HookupStart(machine string) (hookup.Report, error)
	// HookupStep says that the machine now does what step says, or that the
	// step is left out.
	HookupStep(step hookup.Step, skip bool) (hookup.Report, error)
	// HookupSpot keeps a spot reading.
	HookupSpot(s hookup.Spot) (agent.Event, error)
	// Registers tells what stands in the devices now; device empty means all.
	Registers(device string) agent.Registers
	// Lines tells how the lines go.
	Lines() (agent.Lines, error)
	// ChangeLevels makes other levels hold. An error that wraps
	// analysis.ErrLevels is the caller's.
	ChangeLevels(ctx context.Context, c agent.LevelsChange) (analysis.HeldLevels, error)
	// TagLeak keeps what a person says of a leak; errors as AddNote.
	TagLeak(t agent.LeakTagEntry) (agent.Event, error)
	// AddNote keeps a note; an *agent.FieldError says what is wrong with it.
	AddNote(n agent.Note) (agent.Event, error)
	// StartTest begins a guided test; an *agent.FieldError says what is wrong with
	// what was asked for.
	StartTest(q agent.TestAsk) (agent.TestStatus, error)
	// CancelTest breaks off the one that runs on a system. The error wraps
	// agent.ErrNoTest where there is none.
	CancelTest(system string) (agent.TestStatus, error)
	// WithdrawTest takes a result back.
	WithdrawTest(w agent.TestWithdrawal) (agent.Event, error)
	// BeginAudit and MarkAudit keep what a person says of an audit; an
	// *agent.FieldError says what is wrong with it.
	BeginAudit(b agent.AuditBegin) (agent.Event, error)
	MarkAudit(m agent.AuditMark) (agent.Event, error)
	// AcknowledgeAlarm, ShelveAlarm and UnshelveAlarm keep what a person says of
	// alarms; an *agent.FieldError says what is wrong with it, agent.ErrNoAlarm that
	// no such alarm stands.
	AcknowledgeAlarm(q agent.AlarmAck) (agent.Alarms, error)
	ShelveAlarm(q agent.AlarmShelve) (agent.Alarms, error)
	UnshelveAlarm(q agent.AlarmUnshelve) (agent.Alarms, error)
	// TestAlarm sends a test message to a target; errors as before.
	TestAlarm(ctx context.Context, q agent.AlarmTest) (agent.AlarmTested, error)
	// StartReplay begins a replay; an *agent.FieldError says what is wrong with what
	// was asked for, agent.ErrJobsBusy that too many are at work.
	StartReplay(r agent.ReplayRequest) (agent.ReplayJob, error)
	// ReplayJob tells how one stands. The error wraps agent.ErrNoJob where there
	// is none (any more).
	ReplayJob(id string) (agent.ReplayJob, error)
	// CancelReplay breaks one off, with the same error.
	CancelReplay(id string) (agent.ReplayJob, error)
	// StartReport, ReportJob and CancelReport are the same of reports.
	StartReport(r agent.ReportRequest) (agent.ReportJob, error)
	ReportJob(id string) (agent.ReportJob, error)
	CancelReport(id string) (agent.ReportJob, error)
}

// startRequest is the API's HookupStart.
type startRequest struct {
	Machine string `json:"machine"`
}

// stepRequest is the API's HookupStep.
type stepRequest struct {
	Step hookup.Step `json:"step"`
	Skip bool        `json:"skip,omitempty"`
}

func (s *Server) commands() (Commands, *apiError) {
	if c, ok := s.backend.(Commands); ok {
		return c, nil
	}
	return nil, unavailable("this needs a running agent: start it with loadscribe run")
}

func (s *Server) serveHookup(r *http.Request) (any, *apiError) {
	if q := parseQuery(r.URL.RawQuery, nil); q.err != nil {
		return nil, q.err
	}
	c, e := s.commands()
	if e != nil {
		return nil, e
	}
	return c.Hookup(), nil
}

func (s *Server) serveHookupStart(r *http.Request) (any, *apiError) {
	var asked startRequest
	c, e := s.command(r, &asked)
	if e != nil {
		return nil, e
	}
	machines := s.backend.Site().Machines
	if asked.Machine == "" && len(machines) == 1 {
		asked.Machine = machines[0].Name
	}
	report, err := c.HookupStart(asked.Machine)
	return report, refusal(err)
}

func (s *Server) serveHookupStep(r *http.Request) (any, *apiError) {
	var asked stepRequest
	c, e := s.command(r, &asked)
	if e != nil {
		return nil, e
	}
	report, err := c.HookupStep(asked.Step, asked.Skip)
	return report, refusal(err)
}

func (s *Server) serveHookupSpot(r *http.Request) (any, *apiError) {
	var asked hookup.Spot
	c, e := s.command(r, &asked)
	if e != nil {
		return nil, e
	}
	event, err := c.HookupSpot(asked)
	return event, refusal(err)
}

// command reads the body of a POST.
func (s *Server) command(r *http.Request, into any) (Commands, *apiError) {
	c, e := s.commands()
	if e != nil {
		return nil, e
	}
	if q := parseQuery(r.URL.RawQuery, nil); q.err != nil {
		return nil, q.err
	}
	if e := readBody(r, into); e != nil {
		return nil, e
	}
	sign(into, callerOf(r))
	return c, nil
}

// readBody reads a body of one JSON value without fields that are not known.
func readBody(r *http.Request, into any) *apiError {
	if media, _, err := mime.ParseMediaType(r.Header.Get("Content-Type")); err != nil || media != "application/json" {
		return badParameter("", "the body must be JSON, with the content type application/json")
	}
	d := json.NewDecoder(r.Body) // bounded by the guard
	d.DisallowUnknownFields()
	if err := d.Decode(into); err != nil {
		return badBody(err)
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return badParameter("", "the body holds more than one JSON value")
	}
	return nil
}

// badBody says what is wrong with a body in a person's words.
func badBody(err error) *apiError {
	var tooLarge *http.MaxBytesError
	var kind *json.UnmarshalTypeError
	var syntax *json.SyntaxError
	switch {
	case errors.As(err, &tooLarge):
		return badParameter("", "the body is larger than %d bytes: send less", tooLarge.Limit)
	case errors.As(err, &kind):
		return badParameter(kind.Field, "%s of the body cannot be of the kind %s", cmp.Or(kind.Field, "the whole"), kind.Value)
	case errors.As(err, &syntax):
		return badParameter("", "the body is no JSON from byte %d on", syntax.Offset)
	case errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF):
		return badParameter("", "the body ends too early: it must be one JSON object")
	}
	return badParameter("", "the body cannot be read: %s", strings.TrimPrefix(err.Error(), "json: ")) // an unknown field, which has no type of its own
}

// mayCommand lets a POST through that bears the local commands' secret, or that
// our own page sends: a browser names the page's origin in every POST, and no
// page can choose it.
func (s *Server) mayCommand(r *http.Request) *apiError {
	if s.bearsSecret(r) {
		return nil
	}
	if r.Header.Get("Origin") == "" {
		e := &apiError{http.StatusForbidden, "", "this needs the secret from agent.json in the data directory as a bearer token, or the agent's own page"}
		s.guard.refused.note(e.message)
		return e
	}
	return s.guard.originAllowed(r)
}

// refusal turns what the agent says into an answer.
func refusal(err error) *apiError {
	switch {
	case err == nil:
		return nil
	case errors.Is(err, hookup.ErrNoMachine):
		return notFound("machine", "%v", err)
	case errors.Is(err, hookup.ErrRefused):
		return badParameter("", "%v", err)
	}
	return unavailable("%s", fmt.Sprint(err))
}
