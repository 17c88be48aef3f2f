package dashboard

import (
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"strings"
)

// The pages need nothing from elsewhere, so nothing from elsewhere is allowed.
const contentPolicy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; " +
	"font-src 'self'; connect-src 'self'; manifest-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"

// guard refuses requests that come by way of a foreign page.
type guard struct {
	hosts   map[string]bool // names besides loopback and the connection's own address
	origins map[string]bool // further origins for the live socket, "https://host"
	refused refusals
	// mostBytes bounds a request's body.
	mostBytes int64
}

// newGuard takes the address to listen on and what Options add.
func newGuard(o Options) *guard {
	g := &guard{hosts: map[string]bool{}, origins: map[string]bool{}, refused: refusals{log: o.Log}, mostBytes: maxBodyBytes}
	if host, _, err := net.SplitHostPort(o.Listen); err == nil && host != "" {
		g.hosts[hostName(o.Listen)] = true
	}
	for _, h := range o.Hosts {
		g.hosts[hostName(h)] = true
	}
	for _, origin := range o.Origins {
		if u, err := url.Parse(origin); err == nil && u.Host != "" {
			g.origins[strings.ToLower(u.Scheme+"://"+u.Host)] = true
			g.hosts[hostName(u.Host)] = true
		}
	}
	return g
}

// wrap sets the headers every answer has and checks every request.
func (g *guard) wrap(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", contentPolicy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		r.Body = http.MaxBytesReader(w, r.Body, g.mostBytes)
		if e := g.check(r); e != nil {
			g.refused.note(e.message)
			writeError(w, e)
			return
		}
		next.ServeHTTP(w, r)
	})
}

// maxBodyBytes bounds a request's body; no GET needs one.
const maxBodyBytes = 64 << 10

func (g *guard) check(r *http.Request) *apiError {
	if !g.hostAllowed(r) {
		return &apiError{http.StatusForbidden, "", "host \"" + clip(r.Host) +
			"\" is not this agent's: open it by its address, by the host name of listen in the site file, or add it to [agent] hosts there"}
	}
	// A browser tells which site a request comes from. Following a link is
	// fine; another site's script, image or frame is not.
	if r.Header.Get("Sec-Fetch-Site") == "cross-site" && r.Header.Get("Sec-Fetch-Mode") != "navigate" &&
		!g.origins[strings.ToLower(r.Header.Get("Origin"))] {
		return &apiError{http.StatusForbidden, "", "another site's page may not ask this agent"}
	}
	return nil
}

// hostAllowed reports whether the request came under a name that is ours. A
// page elsewhere can point its own name at our address (DNS rebinding), but
// then that name is in the Host header.
func (g *guard) hostAllowed(r *http.Request) bool {
	name := hostName(r.Host)
	if name == "localhost" || g.hosts[name] {
		return true
	}
	ip, err := netip.ParseAddr(name)
	if err != nil {
		return false
	}
	if ip.IsLoopback() {
		return true
	}
	local, ok := r.Context().Value(http.LocalAddrContextKey).(net.Addr)
	return ok && hostName(local.String()) == name
}

// originAllowed reports whether the live socket may be opened from the page
// that asks for it.
func (g *guard) originAllowed(r *http.Request) *apiError {
	origin := r.Header.Get("Origin")
	if origin == "" {
		return nil // not a browser
	}
	u, err := url.Parse(origin)
	// Who is in between can serve a page of http:// under our own name and port; no
	// such page is ours where we speak TLS.
	ours := err == nil && strings.EqualFold(u.Host, r.Host) && (r.TLS == nil || strings.EqualFold(u.Scheme, "https"))
	if err == nil && u.Host != "" && (ours || g.origins[strings.ToLower(u.Scheme+"://"+u.Host)]) {
		return nil
	}
	e := &apiError{http.StatusForbidden, "", "origin \"" + clip(origin) + "\" does not fit host \"" + clip(r.Host) +
		"\": open the page from the agent itself, or let the proxy pass the Host header on"}
	g.refused.note(e.message)
	return e
}

// hostName returns a Host header without port and brackets, in lower case.
func hostName(hostport string) string {
	host := hostport
	if h, _, err := net.SplitHostPort(hostport); err == nil {
		host = h
	}
	host = strings.TrimSuffix(strings.TrimPrefix(host, "["), "]")
	return strings.ToLower(strings.TrimSuffix(host, "."))
}

// clip bounds what a stranger can put into our log.
func clip(s string) string {
	return clipTo(s, 100)
}

// clipTo leaves no half character, which a close reason of the live socket must
// not hold.
func clipTo(s string, most int) string {
	if len(s) > most {
		return strings.ToValidUTF8(s[:most], "") + "…"
	}
	return s
}

// originPatterns are the further origins for the socket library's own check,
// which takes patterns: brackets of an IPv6 address must not be one.
func (g *guard) originPatterns() []string {
	escape := strings.NewReplacer(`\`, `\\`, `*`, `\*`, `?`, `\?`, `[`, `\[`)
	patterns := make([]string, 0, len(g.origins))
	for origin := range g.origins {
		patterns = append(patterns, escape.Replace(origin))
	}
	return patterns
}
