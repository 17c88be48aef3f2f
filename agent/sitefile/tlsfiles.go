package sitefile

import (
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"os"
	"runtime"
	"time"
)

// tlsEndsSoon is how long before its end a certificate is warned of: authorities
// renew a month ahead as a rule (common practice, no source).
const tlsEndsSoon = 30 * 24 * time.Hour

// TLSWarnings reads the certificate and the key that the site file names, as a start
// would, and says what is wrong with them at this time. The agent runs all the same:
// its own certificate stands in.
func (s *Site) TLSWarnings(now time.Time) []Problem {
	if s.Agent.TLS.Certificate == "" {
		return nil
	}
	var all []Problem
	warn := func(key, mend, format string, args ...any) {
		p := Problem{File: s.Files[0].Path, Key: "agent.tls." + key, Message: fmt.Sprintf(format, args...), Mend: mend}
		p.Line, p.Col = s.places().inside("agent", "tls", key)
		all = append(all, p)
	}
	var texts [2][]byte
	for i, f := range []struct{ key, path, mend string }{
		{"certificate", s.Agent.TLS.Certificate, "put the authority's certificate (PEM) there"},
		{"key", s.Agent.TLS.Key, "put the key (PEM) there, readable by this program's user alone"},
	} {
		text, err := readFile(f.path)
		if err != nil {
			p := unreadable("", "", position{}, f.path, err, f.mend)
			warn(f.key, p.Mend, "%s", p.Message)
			continue
		}
		texts[i] = text
	}
	if info, err := os.Stat(s.Agent.TLS.Key); err == nil && runtime.GOOS != "windows" && info.Mode().Perm()&0o004 != 0 {
		warn("key", "take that right away: chmod o-rwx, or chmod 600", "everybody on this computer may read the key in %s", s.Agent.TLS.Key)
	}
	if texts[0] == nil || texts[1] == nil {
		return all
	}
	pair, err := tls.X509KeyPair(texts[0], texts[1])
	if err != nil {
		warn("certificate", "write the files that belong together, both PEM and without a password", "%s and %s cannot be used: %v", s.Agent.TLS.Certificate, s.Agent.TLS.Key, err)
		return all
	}
	s.warnLeaf(pair.Leaf, now, warn)
	return all
}

// warnLeaf looks at what a certificate says of its time and its names.
func (s *Site) warnLeaf(leaf *x509.Certificate, now time.Time, warn func(key, mend, format string, args ...any)) {
	day := func(t time.Time) string { return t.In(s.Location).Format(time.DateOnly) }
	switch {
	case now.Before(leaf.NotBefore):
		warn("certificate", "set this computer's clock, or wait", "it holds from %s on", day(leaf.NotBefore))
	case now.After(leaf.NotAfter):
		warn("certificate", "get a new one from the authority; it is taken within a minute", "it ended on %s", day(leaf.NotAfter))
	case leaf.NotAfter.Sub(now) < tlsEndsSoon:
		warn("certificate", "get a new one from the authority; it is taken within a minute", "it ends on %s", day(leaf.NotAfter))
	}
	for _, host := range s.Agent.Hosts {
		var other x509.HostnameError
		if err := leaf.VerifyHostname(host); errors.As(err, &other) {
			warn("certificate", "get one that names it, or take it out of hosts", "it does not name %s, so that browsers will refuse or warn", host)
		}
	}
}
