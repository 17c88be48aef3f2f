package dashboard

import (
	"bytes"
	"net/http"
	"slices"
	"strconv"

	"loadscribe/agent"
)

// reportCancel is the API's ReportCancel.
type reportCancel struct {
	ID string `json:"id"`
}

// serveReportStart begins a report, which goes on when the request has ended.
func (s *Server) serveReportStart(r *http.Request) (any, *apiError) {
	var asked agent.ReportRequest
	c, e := s.command(r, &asked)
	if e != nil {
		return nil, e
	}
	job, err := c.StartReport(asked)
	return job, jobRefusal(err, agent.ErrNoJob, "id")
}

// serveReport tells how far a report is, and in the end what its files are.
func (s *Server) serveReport(r *http.Request) (any, *apiError) {
	q := parseQuery(r.URL.RawQuery, []string{"id"})
	if q.err != nil {
		return nil, q.err
	}
	return s.reportJob(q)
}

func (s *Server) reportJob(q *query) (agent.ReportJob, *apiError) {
	c, e := s.commands()
	if e != nil {
		return agent.ReportJob{}, e
	}
	if q.text("id") == "" {
		return agent.ReportJob{}, badParameter("id", "id is missing: give the one that the POST was answered with")
	}
	job, err := c.ReportJob(q.text("id"))
	return job, jobRefusal(err, agent.ErrNoJob, "id")
}

// serveReportFile gives one file of a report that is done.
func (s *Server) serveReportFile(w http.ResponseWriter, r *http.Request) {
	file, e := s.reportFile(r)
	if e != nil {
		writeError(w, e)
		return
	}
	h := w.Header()
	h.Set("Content-Type", file.Type)
	h.Set("Content-Length", strconv.Itoa(file.Bytes))
	h.Set("Content-Disposition", `attachment; filename="`+file.Name+`"`)
	h.Set("X-Content-Type-Options", "nosniff")
	// It holds names that a site file and notes give: it is nobody's page here.
	h.Set("Content-Security-Policy", "sandbox; default-src 'none'; style-src 'unsafe-inline'")
	h.Set("Cache-Control", "no-store")
	for part := range slices.Chunk(file.Data, 64<<10) {
		if _, err := bytes.NewReader(part).WriteTo(slowClient{w}); err != nil {
			return // the client has gone: nobody is left to tell
		}
	}
}

func (s *Server) reportFile(r *http.Request) (*agent.ReportFile, *apiError) {
	q := parseQuery(r.URL.RawQuery, []string{"id", "name"})
	if q.err != nil {
		return nil, q.err
	}
	job, e := s.reportJob(q)
	if e != nil {
		return nil, e
	}
	if job.Answer == nil {
		return nil, notFound("id", "the report of that id has no files: it is %s", job.State)
	}
	names := []string{}
	for i := range job.Answer.Files {
		f := &job.Answer.Files[i]
		if f.Name == q.text("name") {
			return f, nil
		}
		names = append(names, f.Name)
	}
	return nil, notFound("name", "the report has no file of the name %q: use one of %v", q.text("name"), names)
}

func (s *Server) serveReportCancel(r *http.Request) (any, *apiError) {
	var asked reportCancel
	c, e := s.command(r, &asked)
	if e != nil {
		return nil, e
	}
	job, err := c.CancelReport(asked.ID)
	return job, jobRefusal(err, agent.ErrNoJob, "id")
}
