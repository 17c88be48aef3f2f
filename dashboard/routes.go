package dashboard

import (
	"io"
	"net/http"
	"slices"
	"strings"

	"loadscribe/agent/publish"
)

// answer computes what a GET returns as JSON.
type answer func(*http.Request) (any, *apiError)

// routing fills the mux of a Server, which learns what it serves.
type routing struct {
	s   *Server
	mux *http.ServeMux
}

// get answers GET (and HEAD) as JSON.
func (r *routing) get(path string, a answer) { r.handle(path, r.s.json(a)) }

// handle answers GET (and HEAD).
func (r *routing) handle(path string, h http.Handler) {
	r.s.routes = append(r.s.routes, path)
	r.mux.Handle("GET "+path, h)
}

// post takes what a person says, after which no answer from before is shared.
func (r *routing) post(path string, a answer) { r.postTo(path, r.s.json(r.s.done(a))) }

func (r *routing) postTo(path string, h http.Handler) {
	r.s.posts = append(r.s.posts, path)
	r.mux.Handle("POST "+path, h)
}

// newMux holds every route. None of them reaches a controller.
func (s *Server) newMux(metrics publish.Source) *http.ServeMux {
	r := &routing{s, http.NewServeMux()}
	s.readingRoutes(r)
	s.figureRoutes(r)
	s.recordRoutes(r)
	s.jobRoutes(r)
	s.alarmRoutes(r)
	s.setupRoutes(r)
	s.doorRoutes(r)
	if metrics != nil {
		r.handle("/metrics", inTime(publish.Handler(metrics, s.Live)))
	}
	r.handle("/healthz", http.HandlerFunc(serveHealth))
	r.handle("/readyz", http.HandlerFunc(s.serveReady))
	r.mux.HandleFunc("/", s.serveOther)
	return r.mux
}

// readingRoutes are the set-up, and what is read.
func (s *Server) readingRoutes(r *routing) {
	r.get("/api/v1/site", s.serveSite)
	r.get("/api/v1/state", s.serveState)
	r.get("/api/v1/series", s.gated(s.serveSeries))
	r.get("/api/v1/moments", s.gated(s.serveMoments))
	r.handle("/api/v1/export", http.HandlerFunc(s.serveExport))
	r.handle("/api/v1/live", http.HandlerFunc(s.serveLive))
	r.handle("/api/v1/openapi.json", http.HandlerFunc(serveOpenAPI))
	r.get("/api/v1/registers", s.serveRegisters)
	r.get("/api/v1/lines", s.serveLines)
	r.get("/api/v1/sitefile", s.gated(s.serveSiteFiles))
}

func (s *Server) figureRoutes(r *routing) {
	r.get("/api/v1/below", s.gated(s.serveBelow))
	r.get("/api/v1/figures", s.shared(s.gated(s.serveFigures)))
	r.get("/api/v1/figure-names", s.serveFigureNames)
	r.get("/api/v1/demand", s.gated(s.serveDemand))
	r.get("/api/v1/nights", s.gated(s.serveNights))
	r.get("/api/v1/intervals", s.gated(s.serveIntervals))
	r.get("/api/v1/unloads", s.gated(s.serveUnloads))
	r.get("/api/v1/cycles", s.gated(s.serveCycles))
	r.get("/api/v1/compare", s.gated(s.serveCompare))
	r.get("/api/v1/days", s.gated(s.serveDays))
	r.get("/api/v1/money", s.gated(s.serveMoney))
	r.get("/api/v1/periods", s.gated(s.servePeriods))
	r.post("/api/v1/compare", s.gated(s.servePostedCompare))
}

// recordRoutes are what happened, what was said and what is missing.
func (s *Server) recordRoutes(r *routing) {
	r.get("/api/v1/leaks", s.gated(s.serveLeaks))
	r.get("/api/v1/events", s.gated(s.serveEvents))
	r.get("/api/v1/faults", s.gated(s.serveFaults))
	r.get("/api/v1/service", s.gated(s.serveService))
	r.get("/api/v1/service/effect", s.gated(s.serveServiceEffect))
	r.get("/api/v1/text", s.serveText)
	r.get("/api/v1/missed", s.gated(s.serveMissed))
	r.get("/api/v1/remote-write", s.serveRemoteWrites)
	r.get("/api/v1/levels", s.serveLevels)
	r.get("/api/v1/evidence", s.serveEvidence)
	r.post("/api/v1/notes", s.serveNote)
	r.post("/api/v1/leaks", s.serveLeakTag)
	r.post("/api/v1/verify", s.gated(s.serveVerify))
	r.post("/api/v1/levels/change", s.serveLevelsChange)
	r.get("/api/v1/audit", s.gated(s.serveAudit))
	r.post("/api/v1/audit/begin", s.serveAuditBegin)
	r.post("/api/v1/audit/mark", s.serveAuditMark)
}

// jobRoutes are what goes on for a while.
func (s *Server) jobRoutes(r *routing) {
	r.get("/api/v1/hookup", s.serveHookup)
	r.post("/api/v1/hookup/start", s.serveHookupStart)
	r.post("/api/v1/hookup/step", s.serveHookupStep)
	r.post("/api/v1/hookup/spot", s.serveHookupSpot)
	r.get("/api/v1/tests", s.serveTests)
	r.post("/api/v1/tests/start", s.serveTestStart)
	r.post("/api/v1/tests/cancel", s.serveTestCancel)
	r.post("/api/v1/tests/withdraw", s.serveTestWithdraw)
	r.get("/api/v1/replay", s.serveReplay)
	r.postTo("/api/v1/replay", s.jsonAs(http.StatusAccepted, s.serveReplayStart)) // it goes on
	r.post("/api/v1/replay/cancel", s.serveReplayCancel)
	r.get("/api/v1/replay/machines", s.serveReplayMachines)
	r.get("/api/v1/report", s.serveReport)
	r.postTo("/api/v1/report", s.jsonAs(http.StatusAccepted, s.serveReportStart)) // likewise
	r.handle("/api/v1/report/file", http.HandlerFunc(s.serveReportFile))
	r.post("/api/v1/report/cancel", s.serveReportCancel)
	r.postTo("/api/v1/backup", http.HandlerFunc(s.serveBackup))
	r.post("/api/v1/backup/ready", s.serveBackupReady)
	r.handle("/api/v1/backup/file", http.HandlerFunc(s.serveBackupFile))
}

func (s *Server) alarmRoutes(r *routing) {
	r.get("/api/v1/alarms", s.serveAlarms)
	r.post("/api/v1/alarms/acknowledge", s.serveAlarmAck)
	r.post("/api/v1/alarms/shelve", s.serveAlarmShelve)
	r.post("/api/v1/alarms/unshelve", s.serveAlarmUnshelve)
	r.post("/api/v1/alarms/test", s.serveAlarmTest)
}

func (s *Server) json(a answer) http.Handler { return s.jsonAs(http.StatusOK, a) }

// jsonAs answers with status where all is well.
func (s *Server) jsonAs(status int, a answer) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		v, e := a(r)
		if e != nil {
			writeError(w, e)
			return
		}
		writeJSON(w, status, v)
	})
}

// gated lets only a few requests compute at once.
func (s *Server) gated(a answer) answer {
	return func(r *http.Request) (any, *apiError) {
		release, e := s.heavy.take(r)
		if e != nil {
			return nil, e
		}
		defer release()
		return a(r)
	}
}

// serveOther answers for the pages, and for paths and methods that do not
// exist.
func (s *Server) serveOther(w http.ResponseWriter, r *http.Request) {
	reads := r.Method == http.MethodGet || r.Method == http.MethodHead
	if reads && !strings.HasPrefix(r.URL.Path, "/api/") {
		s.pages.ServeHTTP(w, r)
		return
	}
	switch post, get := slices.Contains(s.posts, r.URL.Path), slices.Contains(s.routes, r.URL.Path); {
	case post && get:
		w.Header().Set("Allow", "GET, HEAD, POST")
		writeError(w, &apiError{http.StatusMethodNotAllowed, "", "only GET and POST here"})
		return
	case post:
		w.Header().Set("Allow", "POST")
		writeError(w, &apiError{http.StatusMethodNotAllowed, "", "only POST here"})
		return
	}
	if !reads && s.pages.has(r.URL.Path) || slices.Contains(s.routes, r.URL.Path) {
		w.Header().Set("Allow", "GET, HEAD")
		writeError(w, &apiError{http.StatusMethodNotAllowed, "", "only GET: this agent reads, it takes no commands here"})
		return
	}
	writeError(w, notFound("", "no such address: /api/v1/openapi.json lists them"))
}

// serveHealth says that the process is up.
func serveHealth(w http.ResponseWriter, _ *http.Request) { writeText(w, http.StatusOK, "ok\n") }

// serveReady says whether the agent does its work.
func (s *Server) serveReady(w http.ResponseWriter, r *http.Request) {
	ok, why := s.backend.Ready()
	if !ok && callerOf(r).role == "" {
		writeText(w, http.StatusServiceUnavailable, "not ready\n") // why is for those who signed in
		return
	}
	if !ok {
		writeText(w, http.StatusServiceUnavailable, "not ready: "+why+"\n")
		return
	}
	writeText(w, http.StatusOK, "ok\n")
}

// inTime gives the client writeLimit to receive what h answers.
func inTime(h http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		allowWrite(w)
		h.ServeHTTP(w, r)
	})
}

func writeText(w http.ResponseWriter, status int, text string) {
	allowWrite(w)
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	io.WriteString(w, text) // the client has gone: nobody is left to tell
}
