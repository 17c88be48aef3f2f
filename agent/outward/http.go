package outward

import (
	"crypto/tls"
	"fmt"
	"net"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"time"
)

// LoopbackOnly, as the Control of a net.Dialer, refuses connections that would leave
// this computer, whatever a name resolves to. Its error is a *Fault.
func LoopbackOnly(_, address string, _ syscall.RawConn) error {
	host, _, err := net.SplitHostPort(address)
	if ip := net.ParseIP(host); err == nil && ip != nil && ip.IsLoopback() {
		return nil
	}
	return &Fault{fmt.Sprintf("%s is not this computer, and what is sent would go there in the clear: use https", address)}
}

// MostHead is the most bytes of an answer's head that Transport takes.
const MostHead = 64 << 10

// Transport carries requests to u. Plain HTTP reaches this computer alone, whatever the
// name resolves to, and takes no proxy: one on this computer could lead out of it.
// Nothing is asked for packed, so nothing is unpacked.
func Transport(u *url.URL, config *tls.Config) *http.Transport {
	dialer := &net.Dialer{}
	transport := &http.Transport{
		Proxy:                  http.ProxyFromEnvironment,
		DialContext:            dialer.DialContext,
		TLSClientConfig:        config,
		MaxResponseHeaderBytes: MostHead,
		DisableCompression:     true,
	}
	if !strings.EqualFold(u.Scheme, "https") {
		dialer.Control = LoopbackOnly
		transport.Proxy = nil
	}
	return transport
}

// leastHidden is how long a part of an address is to be a secret.
const leastHidden = 6

// Hidden are the parts of an address that may be a secret: a receiver may repeat the
// path that it does not know. The longest come first.
func Hidden(u *url.URL) []string {
	all := []string{u.RequestURI(), u.EscapedPath(), u.Path, u.RawQuery}
	for _, part := range []string{u.EscapedPath(), u.Path} {
		all = append(all, strings.Split(part, "/")...)
	}
	for _, values := range u.Query() {
		all = append(all, values...)
	}
	slices.SortFunc(all, func(x, y string) int { return len(y) - len(x) })
	return slices.DeleteFunc(all, func(s string) bool { return len(s) < leastHidden })
}

// RetryAfter reads the header of RFC 9110, section 10.2.3: seconds, or a date. It
// is 0 where there is none or no sense in it, and most at most.
func RetryAfter(text string, now time.Time, most time.Duration) time.Duration {
	if seconds, err := strconv.ParseUint(text, 10, 31); err == nil {
		return min(time.Duration(seconds)*time.Second, most)
	}
	if at, err := http.ParseTime(text); err == nil {
		return min(max(at.Sub(now), 0), most)
	}
	return 0
}
