package dashboard

import (
	"net/http"
	"strconv"
	"time"

	"loadscribe/agent"
	"loadscribe/agent/analysis"
)

// intervalsAnswer is the API's IntervalsAnswer.
type intervalsAnswer struct {
	Machine   string              `json:"machine"`
	Intervals []analysis.Interval `json:"intervals"`
}

func (s *Server) serveSite(r *http.Request) (any, *apiError) {
	if q := parseQuery(r.URL.RawQuery, nil); q.err != nil {
		return nil, q.err
	}
	return siteOf(s.backend.Site(), s.backend.Version()), nil
}

func (s *Server) serveState(r *http.Request) (any, *apiError) {
	if q := parseQuery(r.URL.RawQuery, nil); q.err != nil {
		return nil, q.err
	}
	return s.stateAt(s.hub.lastSeq()), nil
}

// stateAt returns the state that includes all messages up to seq. The caller
// has read seq before: what the state holds beyond it, later messages repeat.
func (s *Server) stateAt(seq uint64) agent.State {
	st := s.backend.State()
	st.Seq = seq
	st.Machines = append([]agent.MachineState{}, st.Machines...)
	st.Devices = append([]agent.DeviceState{}, st.Devices...)
	st.Lines = append([]agent.LineState{}, st.Lines...)
	if st.Channels == nil {
		st.Channels = map[string]agent.ChannelState{}
	}
	for i := range st.Devices {
		st.Devices[i] = withErrors(st.Devices[i])
	}
	return st
}

// withErrors makes the errors of a device an object where there are none.
func withErrors(d agent.DeviceState) agent.DeviceState {
	if d.Errors == nil {
		d.Errors = map[string]int64{}
	}
	return d
}

func (s *Server) serveFigures(r *http.Request) (any, *apiError) {
	q := parseQuery(r.URL.RawQuery, []string{"from", "to", "machine"})
	fromMS, toMS := q.window(s.backend.Now(), s.location(), false)
	if q.err != nil {
		return nil, q.err
	}
	machine := q.text("machine")
	if machine != "" && !s.hasMachine(machine) {
		return nil, s.noMachine("machine", machine)
	}
	report, err := s.backend.Figures(fromMS, toMS, machine)
	if err != nil {
		return nil, unavailable("figures: %v", err)
	}
	return reportOf(report), nil
}

// reportOf makes lists of what is empty: JSON's null is not a list.
func reportOf(r analysis.Report) analysis.Report {
	machines := append([]analysis.MachineFigures{}, r.Machines...)
	for i := range machines {
		machines[i].Figures = append([]analysis.Figure{}, machines[i].Figures...)
		machines[i].Findings = append([]analysis.Finding{}, machines[i].Findings...)
		machines[i].Tables = append([]analysis.Table{}, machines[i].Tables...)
		machines[i].Remarks = append([]analysis.Remark{}, machines[i].Remarks...)
	}
	systems := append([]analysis.SystemFigures{}, r.Systems...)
	for i := range systems {
		systems[i].Figures = append([]analysis.Figure{}, systems[i].Figures...)
		systems[i].Findings = append([]analysis.Finding{}, systems[i].Findings...)
		systems[i].Tables = append([]analysis.Table{}, systems[i].Tables...)
	}
	r.Machines, r.Systems = machines, systems
	return r
}

// serviceAnswer is the API's ServiceAnswer.
type serviceAnswer struct {
	Machines []analysis.MachineService `json:"machines"`
}

func (s *Server) serveService(r *http.Request) (any, *apiError) {
	if q := parseQuery(r.URL.RawQuery, nil); q.err != nil {
		return nil, q.err
	}
	machines, err := s.backend.Service()
	if err != nil {
		return nil, unavailable("service: %v", err)
	}
	return serviceAnswer{machines}, nil
}

// defaultEffectDays on either side of a service: whole weeks hold the same days.
const defaultEffectDays = 7

func (s *Server) serveServiceEffect(r *http.Request) (any, *apiError) {
	q := parseQuery(r.URL.RawQuery, []string{"note", "days"})
	days := q.number("days", defaultEffectDays, agent.MostEffectDays)
	note, err := strconv.ParseUint(q.text("note"), 10, 64)
	switch {
	case q.err != nil:
		return nil, q.err
	case err != nil:
		return nil, badParameter("note", "note %q is no number: give that of a note that says a service was done, as /api/v1/service has it among an item's marks", q.text("note"))
	}
	e, err := s.backend.ServiceEffect(agent.ServiceEffectRequest{Note: note, Days: days})
	return e, refused("service effect", err)
}

func (s *Server) serveIntervals(r *http.Request) (any, *apiError) {
	q := parseQuery(r.URL.RawQuery, []string{"from", "to", "machine"})
	fromMS, toMS := q.window(s.backend.Now(), s.location(), false)
	if q.err != nil {
		return nil, q.err
	}
	machine, e := s.oneMachine(q)
	if e != nil {
		return nil, e
	}
	cells, err := s.backend.Intervals(machine, fromMS, toMS)
	if err != nil {
		return nil, unavailable("intervals of %s: %v", machine, err)
	}
	cells = append([]analysis.Interval{}, cells...)
	for i := range cells {
		if cells[i].States == nil {
			cells[i].States = map[string]float64{}
		}
	}
	return intervalsAnswer{machine, cells}, nil
}

// oneMachine is the machine asked for, the only one where none is named.
func (s *Server) oneMachine(q *query) (string, *apiError) {
	machine := q.text("machine")
	machines := s.backend.Site().Machines
	switch {
	case machine == "" && len(machines) == 1:
		return machines[0].Name, nil
	case machine == "":
		return "", badParameter("machine", "machine is missing: the site has %d, so say which", len(machines))
	case !s.hasMachine(machine):
		return "", s.noMachine("machine", machine)
	}
	return machine, nil
}

// Bounds of what a request for unloads may ask for.
const (
	defaultUnloads, maxUnloads             = 200, 1000
	defaultUnloadSeconds, maxUnloadSeconds = 180, 600
	defaultUnloadPoints, maxUnloadPoints   = 90, 300
)

func (s *Server) serveUnloads(r *http.Request) (any, *apiError) {
	q := parseQuery(r.URL.RawQuery, []string{"from", "to", "machine", "limit", "seconds", "points"})
	fromMS, toMS := q.window(s.backend.Now(), s.location(), false)
	wanted := analysis.UnloadQuery{FromMS: fromMS, ToMS: toMS, Limit: q.number("limit", defaultUnloads, maxUnloads),
		Seconds: q.number("seconds", defaultUnloadSeconds, maxUnloadSeconds), Points: q.number("points", defaultUnloadPoints, maxUnloadPoints)}
	if q.err != nil {
		return nil, q.err
	}
	machine, e := s.oneMachine(q)
	if e != nil {
		return nil, e
	}
	unloads, err := s.backend.Unloads(machine, wanted)
	if err != nil {
		return nil, unavailable("unloads of %s: %v", machine, err)
	}
	return unloads, nil
}

// location is the site's, for local dates in queries.
func (s *Server) location() *time.Location { return s.backend.Site().Location }
