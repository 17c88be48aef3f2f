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

// mux holds every route. All of them are GET (and HEAD), but for those of post,
// which take what a person says. None of them reaches a controller.
func (s *Server) mux(metrics publish.Source) *http.ServeMux {
	m := http.NewServeMux()
	route := func(path string, h http.Handler) {
		s.routes = append(s.routes, path)
		m.Handle("GET "+path, h)
	}
	route("/api/v1/site", s.json(s.serveSite))
	route("/api/v1/state", s.json(s.serveState))
	route("/api/v1/series", s.json(s.gated(s.serveSeries)))
	route("/api/v1/moments", s.json(s.gated(s.serveMoments)))
	route("/api/v1/below", s.json(s.gated(s.serveBelow)))
	route("/api/v1/figures", s.json(s.shared(s.gated(s.serveFigures))))
	route("/api/v1/figure-names", s.json(s.serveFigureNames))
	route("/api/v1/demand", s.json(s.gated(s.serveDemand)))
	route("/api/v1/leaks", s.json(s.gated(s.serveLeaks)))
	route("/api/v1/nights", s.json(s.gated(s.serveNights)))
	route("/api/v1/events", s.json(s.gated(s.serveEvents)))
	route("/api/v1/faults", s.json(s.gated(s.serveFaults)))
	route("/api/v1/service", s.json(s.gated(s.serveService)))
	route("/api/v1/service/effect", s.json(s.gated(s.serveServiceEffect)))
	route("/api/v1/text", s.json(s.serveText))
	route("/api/v1/intervals", s.json(s.gated(s.serveIntervals)))
	route("/api/v1/unloads", s.json(s.gated(s.serveUnloads)))
	route("/api/v1/cycles", s.json(s.gated(s.serveCycles)))
	route("/api/v1/compare", s.json(s.gated(s.serveCompare)))
	route("/api/v1/days", s.json(s.gated(s.serveDays)))
	route("/api/v1/money", s.json(s.gated(s.serveMoney)))
	route("/api/v1/periods", s.json(s.gated(s.servePeriods)))
	route("/api/v1/missed", s.json(s.gated(s.serveMissed)))
	route("/api/v1/levels", s.json(s.serveLevels))
	route("/api/v1/evidence", s.json(s.serveEvidence))
	route("/api/v1/export", http.HandlerFunc(s.serveExport))
	route("/api/v1/live", http.HandlerFunc(s.serveLive))
	route("/api/v1/openapi.json", http.HandlerFunc(serveOpenAPI))
	post := func(path string, a answer) {
		s.posts = append(s.posts, path)
		m.Handle("POST "+path, s.json(s.done(a)))
	}
	post("/api/v1/compare", s.gated(s.servePostedCompare))
	post("/api/v1/notes", s.serveNote)
	post("/api/v1/leaks", s.serveLeakTag)
	post("/api/v1/verify", s.gated(s.serveVerify))
	route("/api/v1/hookup", s.json(s.serveHookup))
	route("/api/v1/registers", s.json(s.serveRegisters))
	route("/api/v1/lines", s.json(s.serveLines))
	route("/api/v1/sitefile", s.json(s.gated(s.serveSiteFiles)))
	post("/api/v1/hookup/start", s.serveHookupStart)
	post("/api/v1/hookup/step", s.serveHookupStep)
	post("/api/v1/hookup/spot", s.serveHookupSpot)
	route("/api/v1/tests", s.json(s.serveTests))
	post("/api/v1/tests/start", s.serveTestStart)
	post("/api/v1/tests/cancel", s.serveTestCancel)
	post("/api/v1/tests/withdraw", s.serveTestWithdraw)
	post("/api/v1/levels/change", s.serveLevelsChange)
	route("/api/v1/replay", s.json(s.serveReplay))
	s.posts = append(s.posts, "/api/v1/replay")
	m.Handle("POST /api/v1/replay", s.jsonAs(http.StatusAccepted, s.serveReplayStart)) // it goes on
	post("/api/v1/replay/cancel", s.serveReplayCancel)
	route("/api/v1/replay/machines", s.json(s.serveReplayMachines))
	route("/api/v1/report", s.json(s.serveReport))
	s.posts = append(s.posts, "/api/v1/report")
	m.Handle("POST /api/v1/report", s.jsonAs(http.StatusAccepted, s.serveReportStart)) // likewise
	route("/api/v1/report/file", http.HandlerFunc(s.serveReportFile))
	post("/api/v1/report/cancel", s.serveReportCancel)
	s.posts = append(s.posts, "/api/v1/backup")
	m.Handle("POST /api/v1/backup", http.HandlerFunc(s.serveBackup))
	s.setupRoutes(m)
	route("/api/v1/audit", s.json(s.gated(s.serveAudit)))
	post("/api/v1/audit/begin", s.serveAuditBegin)
	post("/api/v1/audit/mark", s.serveAuditMark)
	s.doorRoutes(route, post, m)
	route("/api/v1/alarms", s.json(s.serveAlarms))
	post("/api/v1/alarms/acknowledge", s.serveAlarmAck)
	post("/api/v1/alarms/shelve", s.serveAlarmShelve)
	post("/api/v1/alarms/unshelve", s.serveAlarmUnshelve)
	post("/api/v1/alarms/test", s.serveAlarmTest)
	if metrics != nil {
		route("/metrics", inTime(publish.Handler(metrics, s.Live)))
	}
	route("/healthz", http.HandlerFunc(serveHealth))
	route("/readyz", http.HandlerFunc(s.serveReady))
	m.HandleFunc("/", s.serveOther)
	return m
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
