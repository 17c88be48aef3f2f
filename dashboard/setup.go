package dashboard

import (
	"errors"
	"net/http"
	"path/filepath"
	"slices"
	"strings"

	"loadscribe/agent/newsite"
	"loadscribe/agent/probe"
)

// maxDraftBytes bounds a draft: its register maps are texts in it.
const maxDraftBytes = 1 << 20

// setupPage is the page of a server that has no site yet.
const setupPage = "/new.html"

// Setup is what a server needs that has no site yet, to make one.
type Setup struct {
	Maker *newsite.Maker
	// Ports lists this computer's serial ports.
	Ports func() ([]probe.Port, error)
	// Written is called once the site file is there and the page has been told;
	// record tells whether it is to be recorded from now on.
	Written func(record bool)
}

// newSite is the API's NewSite.
type newSite struct {
	File       string             `json:"file"`
	Folder     string             `json:"folder"`
	Ports      []probe.Port       `json:"ports"`
	PortsError string             `json:"ports_error"`
	Maps       []newsite.MapFound `json:"maps"`
}

// newSiteWritten is the API's NewSiteWritten.
type newSiteWritten struct {
	Files   []string `json:"files"`
	Command string   `json:"command"`
}

// NewSetup makes a Server that has no site: it serves the page that makes a site
// file, and nothing else.
func NewSetup(setup Setup, o Options) (*Server, error) {
	s, err := bare(o)
	if err != nil {
		return nil, err
	}
	s.setup = &setup
	s.guard.mostBytes = maxDraftBytes
	s.handler = s.guard.wrap(s.tracked(s.admit(s.setupMux())))
	return s, nil
}

func (s *Server) setupMux() *http.ServeMux {
	r := &routing{s, http.NewServeMux()}
	s.setupRoutes(r)
	r.mux.HandleFunc("GET /healthz", serveHealth)
	r.mux.HandleFunc("GET /api/v1/openapi.json", serveOpenAPI)
	r.mux.HandleFunc("/", s.serveSetupPage)
	return r.mux
}

// serveSetupPage serves the page that makes a site file as the first one, and its
// scripts and styles.
func (s *Server) serveSetupPage(w http.ResponseWriter, r *http.Request) {
	switch {
	case strings.HasPrefix(r.URL.Path, "/api/"):
		writeError(w, unavailable("there is no site file yet: open the page at / to make one"))
	case r.Method != http.MethodGet && r.Method != http.MethodHead:
		w.Header().Set("Allow", "GET, HEAD")
		writeError(w, &apiError{http.StatusMethodNotAllowed, "", "only GET here"})
	default:
		if r.URL.Path == "/" {
			r.URL.Path = setupPage
		}
		s.pages.ServeHTTP(w, r)
	}
}

// setupRoutes are there with a site too, and then say that there is one.
func (s *Server) setupRoutes(r *routing) {
	r.get("/api/v1/newsite", s.serveNewSite)
	r.post("/api/v1/newsite/check", s.serveNewSiteCheck)
	r.postTo("/api/v1/newsite/write", http.HandlerFunc(s.serveNewSiteWrite))
}

func (s *Server) serveNewSite(r *http.Request) (any, *apiError) {
	if q := parseQuery(r.URL.RawQuery, nil); q.err != nil {
		return nil, q.err
	}
	if s.setup == nil {
		return nil, hasSite()
	}
	a := newSite{File: filepath.Base(s.setup.Maker.Path()), Folder: filepath.Dir(s.setup.Maker.Path()), Ports: []probe.Port{}, Maps: s.setup.Maker.Maps()}
	ports, err := s.setup.Ports()
	if err != nil {
		a.PortsError = err.Error()
	}
	a.Ports = append(a.Ports, ports...)
	return a, nil
}

func hasSite() *apiError {
	return notFound("", "this loadscribe has its site file already: change that file with an editor, the page Hook-up shows it")
}

// draft reads the body of a POST of the page that makes a site file, once its query
// has been read.
func (s *Server) draft(r *http.Request, q *query) (*newsite.Draft, *apiError) {
	if q.err != nil {
		return nil, q.err
	}
	if s.setup == nil {
		return nil, hasSite()
	}
	d := &newsite.Draft{}
	return d, readBody(r, d)
}

func (s *Server) serveNewSiteCheck(r *http.Request) (any, *apiError) {
	d, e := s.draft(r, parseQuery(r.URL.RawQuery, nil))
	if e != nil {
		return nil, e
	}
	checked, err := s.setup.Maker.Check(d)
	if err != nil {
		return nil, unavailable("%v", err)
	}
	return checked, nil
}

// serveNewSiteWrite answers before Written is called, which may end this server.
func (s *Server) serveNewSiteWrite(w http.ResponseWriter, r *http.Request) {
	q := parseQuery(r.URL.RawQuery, []string{"record"})
	record := q.choice("record", "true", "false") == "true"
	d, e := s.draft(r, q)
	if e != nil {
		writeError(w, e)
		return
	}
	files, err := s.setup.Maker.Write(d)
	switch {
	case errors.Is(err, newsite.ErrProblems):
		writeError(w, badParameter("", "%v", err))
		return
	case errors.Is(err, newsite.ErrExists):
		writeError(w, &apiError{http.StatusConflict, "", err.Error()})
		return
	case err != nil:
		writeError(w, unavailable("%v", err))
		return
	}
	writeJSON(w, http.StatusOK, newSiteWritten{slices.Clip(files), "loadscribe run --site " + s.setup.Maker.Path()})
	// An error means that the connection cannot flush (a test's recorder).
	_ = http.NewResponseController(w).Flush()
	s.setup.Written(record)
}
