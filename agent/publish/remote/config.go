package remote

import (
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"net/textproto"
	"net/url"
	"strings"
	"time"
)

// Config says where samples go.
type Config struct {
	Name string // unique; names the folder of the cursor
	URL  string // https, or http to this computer
	// User and PasswordFile, or TokenFile (a bearer token), where the receiver asks
	// for them. Files are absolute.
	User, PasswordFile string
	TokenFile          string
	CAFile             string   // PEM; empty: the system's roots
	Headers            []Header // beside those of the protocol
}

// Header is a header of every request: a tenant's name, say. The value is Value,
// or stands in File.
type Header struct{ Name, Value, File string }

// Options of a Sender.
type Options struct {
	Log *slog.Logger // nil: nothing is logged
	// Every is how often the Source is asked while it has nothing, between calls of
	// Wake; 0: 5 s.
	Every time.Duration
	// MostSamples is what the Source is asked for at once; 0: 2000.
	MostSamples int
	// Transport takes the place of the network, in tests and benches. It never gets
	// to see anything but requests; proxies and TLS are then its own. nil: the network.
	Transport http.RoundTripper
	// UserAgent of the requests; empty: loadscribe.
	UserAgent string
}

// ours are the headers that the protocol or the connection sets.
var ours = map[string]bool{"Content-Type": true, "Content-Encoding": true, "Content-Length": true, "User-Agent": true, "Host": true,
	"Connection": true, "Transfer-Encoding": true, "Te": true, "Trailer": true, "Upgrade": true, "Expect": true, "Accept-Encoding": true,
	"Proxy-Authorization": true, "X-Prometheus-Remote-Write-Version": true}

// Check says what is wrong with a Config, without what may be a secret. Files are
// not read.
func (c Config) Check() error {
	u, err := url.Parse(c.URL)
	switch {
	case c.Name == "":
		return errors.New("it has no name")
	case err != nil || u.Hostname() == "" || u.Scheme != "https" && u.Scheme != "http" || u.User != nil:
		return errors.New("its url is not a web address without user and password")
	case (c.User == "") != (c.PasswordFile == ""):
		return errors.New("a user needs a password file, and the other way round")
	case c.User != "" && c.TokenFile != "":
		return errors.New("it has a token and a user: a receiver asks for one of them")
	case strings.ContainsAny(c.User, ":\r\n\x00"):
		return errors.New("a user's name has no colon and no line break") // RFC 7617, section 2
	}
	seen := map[string]bool{}
	for _, h := range c.Headers {
		name := textproto.CanonicalMIMEHeaderKey(h.Name)
		switch {
		case !headerName(h.Name):
			return fmt.Errorf("%q is no name of a header", h.Name)
		case ours[name]:
			return fmt.Errorf("the header %s is set by the protocol", name)
		case name == "Authorization" && (c.TokenFile != "" || c.User != ""):
			return errors.New("the header Authorization is set by the token or the user")
		case seen[name]:
			return fmt.Errorf("the header %s is given twice", name)
		case (h.Value == "") == (h.File == ""):
			return fmt.Errorf("the header %s needs a value or a file", name)
		case !headerValue(h.Value):
			return fmt.Errorf("the value of the header %s has a control character", name)
		}
		seen[name] = true
	}
	return nil
}

// headerName reports whether a text is a token of RFC 9110, section 5.6.2.
func headerName(name string) bool {
	for _, r := range name {
		if !(r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || strings.ContainsRune("!#$%&'*+-.^_`|~", r)) {
			return false
		}
	}
	return name != ""
}

// headerValue reports whether a text can stand in a header.
func headerValue(text string) bool {
	for i := range len(text) {
		if text[i] < ' ' && text[i] != '\t' || text[i] == 0x7f {
			return false
		}
	}
	return true
}
