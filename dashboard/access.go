package dashboard

import (
	"bytes"
	"cmp"
	"context"
	"io"
	"net"
	"net/http"
	"net/netip"
	"strings"

	"loadscribe/dashboard/door"
)

// need is what a request must bring to be answered.
type need int

const (
	// forAll is open: who asks needs not have signed in.
	forAll need = iota + 1
	// forLook is for whoever is signed in.
	forLook
	// forOperate is for people with the role operate.
	forOperate
	// forPrivate is likewise where sign-in is asked for, and else for local
	// commands alone: a page that everybody on this computer opens is no proof.
	forPrivate
	// forCommand is for local commands alone, which may read agent.json.
	forCommand
	// forScrape is for who bears the scrape token, or is signed in.
	forScrape
)

// access says who may ask what, for every route: one that is not here is refused.
// Where no sign-in is asked for, everybody who gets in may operate.
//
// A POST that only computes is forLook; one that is kept, or moves something, is
// forOperate.
var access = map[string]need{
	"/":            forAll, // the pages hold no data; below /api/ see needOf
	"GET /healthz": forAll, "GET /readyz": forAll, "GET /metrics": forScrape,

	"GET /api/v1/door": forAll, "POST /api/v1/door/set-up": forAll, "POST /api/v1/door/in": forAll, "POST /api/v1/door/out": forAll,
	"POST /api/v1/door/password": forLook, "GET /api/v1/door/sessions": forLook, "POST /api/v1/door/sessions/end": forLook,
	"GET /api/v1/door/people": forPrivate, "POST /api/v1/door/people": forPrivate, "POST /api/v1/door/people/remove": forPrivate,
	"POST /api/v1/door/code": forCommand, "POST /api/v1/door/scrape-token": forCommand,

	"GET /api/v1/site": forLook, "GET /api/v1/state": forLook, "GET /api/v1/series": forLook, "GET /api/v1/moments": forLook,
	"GET /api/v1/below": forLook, "GET /api/v1/figures": forLook, "GET /api/v1/figure-names": forLook, "GET /api/v1/demand": forLook,
	"GET /api/v1/leaks": forLook, "GET /api/v1/nights": forLook, "GET /api/v1/events": forLook, "GET /api/v1/faults": forLook,
	"GET /api/v1/service": forLook, "GET /api/v1/service/effect": forLook, "GET /api/v1/intervals": forLook, "GET /api/v1/unloads": forLook,
	"GET /api/v1/cycles": forLook, "GET /api/v1/compare": forLook, "GET /api/v1/days": forLook, "GET /api/v1/money": forLook,
	"GET /api/v1/periods": forLook, "GET /api/v1/missed": forLook, "GET /api/v1/levels": forLook, "GET /api/v1/evidence": forLook,
	"GET /api/v1/export": forLook, "GET /api/v1/live": forLook, "GET /api/v1/openapi.json": forLook, "GET /api/v1/hookup": forLook,
	"GET /api/v1/registers": forLook, "GET /api/v1/lines": forLook, "GET /api/v1/tests": forLook, "GET /api/v1/replay": forLook,
	"GET /api/v1/replay/machines": forLook, "GET /api/v1/report": forLook, "GET /api/v1/report/file": forLook, "GET /api/v1/audit": forLook,
	"GET /api/v1/newsite": forLook, "GET /api/v1/alarms": forLook, "GET /api/v1/remote-write": forLook,
	// They may hold what is not for everybody who sees the pages.
	"GET /api/v1/text": forPrivate, "GET /api/v1/sitefile": forOperate, "POST /api/v1/backup": forOperate,
	"POST /api/v1/backup/ready": forOperate, "GET /api/v1/backup/file": forOperate,

	"POST /api/v1/compare": forLook, "POST /api/v1/verify": forLook, "POST /api/v1/replay": forLook, "POST /api/v1/replay/cancel": forLook,
	"POST /api/v1/report": forLook, "POST /api/v1/report/cancel": forLook,

	"POST /api/v1/notes": forOperate, "POST /api/v1/leaks": forOperate,
	"POST /api/v1/hookup/start": forOperate, "POST /api/v1/hookup/step": forOperate, "POST /api/v1/hookup/spot": forOperate,
	"POST /api/v1/tests/start": forOperate, "POST /api/v1/tests/cancel": forOperate, "POST /api/v1/tests/withdraw": forOperate,
	"POST /api/v1/levels/change": forOperate, "POST /api/v1/audit/begin": forOperate, "POST /api/v1/audit/mark": forOperate,
	"POST /api/v1/alarms/acknowledge": forOperate, "POST /api/v1/alarms/shelve": forOperate, "POST /api/v1/alarms/unshelve": forOperate, "POST /api/v1/alarms/test": forOperate,
	"POST /api/v1/newsite/check": forOperate, "POST /api/v1/newsite/write": forOperate,
}

// needOf is what the route of a request needs; false: the table does not have it.
func needOf(pattern, path string) (need, bool) {
	if pattern == "" {
		return forAll, true // nothing of ours: the mux says that there is nothing, as to CONNECT
	}
	if pattern == "/" && strings.HasPrefix(path, "/api/") {
		return forLook, true // there is nothing, which is no business of strangers either
	}
	n, ok := access[pattern]
	return n, ok
}

// caller is who asks.
type caller struct {
	name    string
	role    door.Role // empty: not signed in where that is asked for
	session *door.Session
	command bool   // bears the secret of agent.json
	why     string // a session that there was is over
}

type callerKey struct{}

// callerOf is who asks, as admit found.
func callerOf(r *http.Request) caller {
	c, _ := r.Context().Value(callerKey{}).(caller)
	return c
}

// admit is the one place that decides what a request may do.
func (s *Server) admit(m *http.ServeMux) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		_, pattern := m.Handler(r)
		c := s.whoAsks(r)
		if e := s.mayAsk(r, pattern, c); e != nil {
			writeError(w, e)
			return
		}
		if c.session != nil && r.Method == http.MethodPost {
			// A body may take half a minute to come, in which who sends it may have been
			// removed, or may only look.
			r.Body = readAhead(r.Body)
			c = s.whoAsks(r)
			if e := s.mayAsk(r, pattern, c); e != nil {
				writeError(w, e)
				return
			}
		}
		m.ServeHTTP(w, r.WithContext(context.WithValue(r.Context(), callerKey{}, c)))
	})
}

// readAhead reads a body, which the guard bounds, to its end; an error comes where
// it came.
func readAhead(body io.ReadCloser) io.ReadCloser {
	text, err := io.ReadAll(body)
	return &aheadBody{bytes.NewReader(text), cmp.Or(err, io.EOF), body}
}

type aheadBody struct {
	text *bytes.Reader
	end  error
	io.Closer
}

// Read implements io.Reader.
func (b *aheadBody) Read(p []byte) (int, error) {
	if b.text.Len() == 0 {
		return 0, b.end
	}
	return b.text.Read(p)
}

func (s *Server) mayAsk(r *http.Request, pattern string, c caller) *apiError {
	n, ok := needOf(pattern, r.URL.Path)
	if !ok {
		s.log.Error("a route has no entry in the table of who may ask it", "route", pattern)
		return &apiError{http.StatusForbidden, "", "nobody may ask this"}
	}
	if strings.HasPrefix(pattern, "POST ") {
		if e := s.mayCommand(r); e != nil {
			return e
		}
	}
	switch {
	case n == forAll, c.command:
		return nil
	case n == forCommand, n == forPrivate && !s.signIn:
		return &apiError{http.StatusForbidden, "", "this needs the secret from agent.json in the data directory as a bearer token: use loadscribe's commands on the computer that records"}
	case n == forScrape && s.bearsScrapeToken(r):
		return nil
	case c.role == "":
		return s.notSignedIn(c)
	case (n == forOperate || n == forPrivate) && c.role != door.Operate:
		return &apiError{http.StatusForbidden, "role", c.name + " may look, not operate: somebody with the role operate can change that (page People, or loadscribe people role)"}
	}
	return nil
}

func (s *Server) notSignedIn(c caller) *apiError {
	message := "sign in first"
	if c.why != "" {
		message = c.why
	}
	return &apiError{http.StatusUnauthorized, "sign_in", message}
}

// whoAsks finds who a request comes from.
func (s *Server) whoAsks(r *http.Request) caller {
	switch {
	case s.bearsSecret(r):
		return caller{role: door.Operate, command: true}
	case !s.signIn:
		return caller{role: door.Operate}
	}
	who, why := s.door.Use(s.token(r))
	if who == nil {
		return caller{why: why}
	}
	return caller{name: who.Name, role: who.Role, session: who.Session}
}

func (s *Server) bearsScrapeToken(r *http.Request) bool {
	token, ok := bearer(r)
	return ok && s.door != nil && s.door.MayScrape(token)
}

func bearer(r *http.Request) (string, bool) {
	return strings.CutPrefix(r.Header.Get("Authorization"), "Bearer ")
}

// originOf is where a request comes from: the other end of its connection. What
// a proxy says in X-Forwarded-For is not read, since anybody can write it.
func originOf(r *http.Request) door.Origin {
	remote, err := netip.ParseAddrPort(r.RemoteAddr)
	if err != nil {
		return door.Origin{Address: clip(r.RemoteAddr)}
	}
	local, _ := r.Context().Value(http.LocalAddrContextKey).(net.Addr)
	address, ours := door.FromOurs(net.TCPAddrFromAddrPort(remote), local)
	return door.Origin{Address: address.String(), Ours: ours}
}

// The cookie has the port in its name, since cookies are shared between the ports
// of a host, and two agents may run there.
func (s *Server) cookieName(secure bool) string {
	name := "loadscribe"
	if s.cookiePort != "" {
		name += "-" + s.cookiePort
	}
	if secure {
		return "__Host-" + name
	}
	return name
}

// token is what the session's cookie holds.
func (s *Server) token(r *http.Request) string {
	if c, err := r.Cookie(s.cookieName(true)); err == nil {
		return c.Value
	}
	if r.TLS != nil {
		return "" // one without the prefix may have been planted by another port or host
	}
	c, err := r.Cookie(s.cookieName(false))
	if err != nil {
		return ""
	}
	return c.Value
}

// setCookie gives the browser a session, or with an empty token takes it away.
func (s *Server) setCookie(w http.ResponseWriter, r *http.Request, token string) {
	// A proxy that speaks HTTPS to the browser hands on the page's origin.
	secure := r.TLS != nil || strings.HasPrefix(strings.ToLower(r.Header.Get("Origin")), "https://")
	c := &http.Cookie{Name: s.cookieName(secure), Value: token, Path: "/", Secure: secure, HttpOnly: true, SameSite: http.SameSiteStrictMode}
	if token == "" {
		c.MaxAge = -1
	}
	http.SetCookie(w, c)
}
