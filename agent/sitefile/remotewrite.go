package sitefile

import (
	"slices"
	"strings"
	"time"
)

// RemoteWrite is a receiver to which what is recorded is sent on (remote write 1.0).
type RemoteWrite struct {
	Name string
	URL  string // https, or http to this computer
	// Site is the label that every series has; by default the site's name.
	Site string
	// Every is the width of the cells of each of which one value a series is sent; one
	// shorter than the period of a poll group sends each scan of it.
	Every time.Duration
	// History is how far back a receiver begins that nothing was sent to yet; 0: with the
	// running hour.
	History time.Duration
	// TokenFile holds a bearer token, PasswordFile the password of User; absolute, at most
	// one of them. They are not read here.
	TokenFile, User, PasswordFile string
	CAFile                        string // PEM, absolute; empty: the system's authorities
	Headers                       []Header
}

// Header is a header of each request, for receivers that tell tenants apart.
type Header struct {
	Name  string
	Value string // empty where File is not
	File  string // absolute: where the value stands that is a secret
}

const (
	remoteURLMend     = `write like url = "https://metrics.example/api/v1/write"`
	remoteEveryMend   = `write it like "15s", up to 4 min: an engine forgets a series of which it hears nothing for five`
	remoteHistoryMend = `write how far back to begin, like "7 d"`
	mostRemoteWrites  = 10
	mostHeaders       = 20

	defaultRemoteEvery = 15 * time.Second
	// longestRemoteEvery leaves room below the five minutes after which Prometheus takes
	// a series for ended (its query lookback, by default).
	longestRemoteEvery = 4 * time.Minute
)

// readRemoteWrites reads the tables [[remote_write]].
func (l *loader) readRemoteWrites(root *section) {
	taken := names{}
	for i, s := range root.subs("remote_write") {
		if i == mostRemoteWrites {
			s.problem(s.table.at, "", "let one of them pass the samples on", "there are more than %d remote_write", mostRemoteWrites)
			return
		}
		w := RemoteWrite{Name: s.ident("name", `name it, like name = "owner"`)}
		if s.need("url", remoteURLMend) != nil {
			w.URL = s.webAddress(remoteURLMend, "send samples", "leave them out: write user and password_file", "the samples")
		}
		if w.Site = l.site.Name; s.table.find("site") != nil {
			w.Site = s.label("site", "")
		}
		s.entry("site")
		w.Every = s.remoteEvery()
		w.History = s.duration("history", 0, 0, remoteHistoryMend)
		l.remoteSignIn(s, &w)
		w.CAFile = l.namedFile(s, "ca_file", `write a file, like ca_file = "secrets/authority.pem"`, "put the authority's certificate (PEM) there")
		l.remoteHeaders(s, &w)
		s.done()
		if slices.ContainsFunc(l.site.Targets(), func(name string) bool { return strings.EqualFold(name, w.Name) }) {
			s.problem(s.table.find("name").value.at, "name", "give it another name", "%q is the name of who is told of alarms", w.Name)
			continue
		}
		if w.Name != "" && taken.add(s, "name", w.Name) {
			l.site.RemoteWrites = append(l.site.RemoteWrites, w)
		}
	}
}

func (s *section) remoteEvery() time.Duration {
	d := s.duration("every", defaultRemoteEvery, shortestPeriod, remoteEveryMend)
	if d > longestRemoteEvery || d%time.Millisecond != 0 {
		s.problem(s.table.find("every").value.at, "every", remoteEveryMend, "%v is no step for sending", d)
		return defaultRemoteEvery
	}
	return d
}

// remoteSignIn reads by what the receiver knows who sends.
func (l *loader) remoteSignIn(s *section, w *RemoteWrite) {
	w.TokenFile = l.secretFile(s, "token_file")
	w.User = s.text("user", "")
	w.PasswordFile = l.secretFile(s, "password_file")
	user, password := s.table.find("user"), s.table.find("password_file")
	for _, key := range []string{"token", "password"} {
		if e := s.table.find(key); e != nil {
			s.asked = append(s.asked, key)
			s.problem(e.value.at, key, `write it into a file of its own, and `+key+`_file = "secrets/owner" here`,
				"a secret does not belong here: the site file is kept with the record and shown")
			return
		}
	}
	switch {
	case w.User != "" && (strings.ContainsFunc(w.User, unprintable) || strings.Contains(w.User, ":")):
		s.problem(user.value.at, "user", "write letters, digits and signs, but no colon", "%q is not a user's name", w.User)
	case (user == nil) != (password == nil):
		s.problem(s.table.at, "user", `write user and password_file, like user = "shop", password_file = "secrets/owner"`,
			"user and password_file belong together, and one is missing")
	case user != nil && s.table.find("token_file") != nil:
		s.problem(s.table.find("token_file").at, "token_file", "keep one of the two", "both a token and a user with a password are given")
	}
}

// ownHeaders are those that the sending itself writes, in lower case.
var ownHeaders = map[string]string{
	"authorization": "write token_file, or user and password_file", "host": "write it in url", "content-type": "", "content-encoding": "",
	"content-length": "", "user-agent": "", "x-prometheus-remote-write-version": "", "connection": "", "transfer-encoding": "",
	"accept-encoding": "", "trailer": "", "upgrade": "", "te": "", "expect": "", "proxy-authorization": "",
}

// remoteHeaders reads headers and header_files: name = "value", name = "file".
func (l *loader) remoteHeaders(s *section, w *RemoteWrite) {
	first := map[string]bool{}
	for _, key := range []string{"headers", "header_files"} {
		t := s.sub(key)
		if t == nil {
			continue
		}
		for i := range t.table.entries {
			e := &t.table.entries[i]
			if !t.headerName(e, first) || len(w.Headers) == mostHeaders {
				continue
			}
			h := Header{Name: e.key}
			if key == "header_files" {
				h.File = l.secretFile(t, e.key)
			} else {
				h.Value = t.headerValue(e)
			}
			w.Headers = append(w.Headers, h)
		}
	}
}

// headerName reports whether a header of that name can be sent.
func (s *section) headerName(e *entry, first map[string]bool) bool {
	name := strings.ToLower(e.key)
	mend, own := ownHeaders[name]
	twice := first[name]
	first[name] = true
	s.asked = append(s.asked, e.key)
	switch {
	case name == "" || strings.ContainsFunc(name, func(r rune) bool {
		return r > '~' || r <= ' ' || strings.ContainsRune(`"(),/:;<=>?@[\]{}`, r)
	}):
		s.problem(e.at, e.key, "write letters, digits and -", "%q is not a header's name", e.key)
	case own:
		s.problem(e.at, e.key, mend, "the header %q is written by loadscribe itself", e.key)
	case twice:
		s.problem(e.at, e.key, "remove one of them", "the header %q is written twice", e.key)
	default:
		return true
	}
	return false
}

func (s *section) headerValue(e *entry) string {
	got := s.text(e.key, "")
	if e.value.kind == kindText && (got == "" || strings.TrimSpace(got) != got || strings.ContainsFunc(got, unprintable)) {
		s.problem(e.value.at, e.key, "write letters, digits and signs, without spaces at the ends", "%q is no value of a header", got)
	}
	return got
}

// unprintable finds what no header and no user's name has.
func unprintable(r rune) bool { return r < ' ' || r > '~' }
