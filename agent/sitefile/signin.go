package sitefile

import (
	"net"
	"net/url"
	"strings"
)

const (
	tlsMend    = `write like tls = { certificate = "air.pem", key = "air.key" }`
	hostMend   = `write host names without a port, like hosts = ["air.example"]`
	originMend = `write what stands in the browser's address bar, like origins = ["https://air.example"]`
)

// readSignIn reads who must sign in, and under which names and with which
// certificate the pages are served.
func (l *loader) readSignIn(s *section, a *Agent) {
	a.SignInAlways = s.choice("sign_in", "network", "network", "always") == "always"
	for _, v := range s.texts("hosts") {
		if v.text == "" || net.ParseIP(v.text) == nil && strings.ContainsAny(v.text, ":/ @*") {
			s.problem(v.at, "hosts", hostMend, "%q is no host name", v.text)
		}
		a.Hosts = append(a.Hosts, v.text)
	}
	for _, v := range s.texts("origins") {
		u, err := url.Parse(v.text)
		if err != nil || u.Scheme != "http" && u.Scheme != "https" || u.Host == "" || u.Scheme+"://"+u.Host != v.text {
			s.problem(v.at, "origins", originMend, "%q is no address of a page's host", v.text)
		}
		a.Origins = append(a.Origins, v.text)
	}
	t := s.sub("tls")
	if t == nil {
		return
	}
	for _, f := range []struct {
		key  string
		into *string
	}{{"certificate", &a.TLS.Certificate}, {"key", &a.TLS.Key}} {
		if t.need(f.key, tlsMend) == nil {
			continue
		}
		if name := t.text(f.key, ""); name != "" {
			*f.into = l.below(name)
		} else if e := t.table.find(f.key); e.value.kind == kindText {
			t.problem(e.value.at, f.key, tlsMend, "the file's name is empty")
		}
	}
	t.done()
}
