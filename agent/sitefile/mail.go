package sitefile

import (
	"fmt"
	"net"
	"net/mail"
	"os"
	"runtime"
	"strconv"
	"strings"
)

// Ways to secure the connection to a mail server.
const (
	StartTLS = "starttls" // plain at first, then encrypted or not at all
	TLS      = "tls"      // encrypted from the first byte
	NoTLS    = "none"     // never; to this computer only
)

// Mail is the server by which messages are sent, and to whom.
type Mail struct {
	Server   string // host:port
	Security string // StartTLS, TLS or NoTLS
	User     string // empty: the server asks for no sign-in
	// PasswordFile is absolute; empty where User is. The file is not read here.
	PasswordFile string
	From         string   // a bare address
	To           []string // bare addresses, one at least, each once
}

const (
	mailServerMend = `write host and port, like server = "mail.example:587"`
	mailPassMend   = `write user and password_file, like user = "shop", password_file = "secrets/mail"; neither where the server asks for no sign-in`
	addressMend    = `write a bare address, like "shop@air.example"`
	// mostMailTo is how many addresses a message goes to at most: a longer list
	// is the mail server's to keep.
	mostMailTo = 50
)

// readMail reads the table [mail].
func (l *loader) readMail(root *section) {
	s := root.sub("mail")
	if s == nil {
		return
	}
	m := &Mail{}
	if s.need("server", mailServerMend) != nil {
		m.Server = s.mailServer()
	}
	m.Security = s.choice("security", StartTLS, StartTLS, TLS, NoTLS)
	if m.Security == NoTLS && m.Server != "" && !loopback(m.Server) {
		s.problem(s.table.find("security").value.at, "security", `write "starttls" or "tls"; "none" is for a mail server on this computer`,
			"messages and password would cross the network to %s in the clear", m.Server)
	}
	m.User = s.text("user", "")
	if strings.ContainsFunc(m.User, func(r rune) bool { return !strconv.IsPrint(r) }) {
		s.problem(s.table.find("user").value.at, "user", "write letters, digits and signs", "%q is not a user's name", m.User)
	}
	m.PasswordFile = l.secretFile(s, "password_file")
	inFile := s.table.find("password") != nil // told by itself, with its own mend
	if inFile {
		s.asked = append(s.asked, "password")
		s.problem(s.table.find("password").value.at, "password", `write it into a file of its own, and password_file = "secrets/mail" here`,
			"a password does not belong here: the site file is kept with the record and shown")
	}
	if !inFile && (m.User == "") != (m.PasswordFile == "") && (s.table.find("user") == nil || s.table.find("password_file") == nil) {
		s.problem(s.table.at, "user", mailPassMend, "user and password_file belong together, and one is missing")
	}
	if s.need("from", `write whom the messages come from, like from = "loadscribe@air.example"`) != nil {
		s.text("from", "") // says so where it is none
		m.From = s.mailAddress(s.table.find("from").value, "from")
	}
	if s.need("to", `write whom they go to, like to = ["shop@air.example"]`) != nil {
		m.To = s.mailTo()
	}
	s.done()
	l.site.Mail = m
}

// mailServer returns host and port, or nothing where they are wrong.
func (s *section) mailServer() string {
	got := s.text("server", "")
	e := s.table.find("server")
	if e.value.kind != kindText {
		return ""
	}
	host, port, err := net.SplitHostPort(got)
	if err != nil || host == "" || strings.ContainsFunc(host, func(r rune) bool { return r <= ' ' || strings.ContainsRune("/@<>", r) }) {
		s.problem(e.value.at, "server", mailServerMend, "%q is not host and port", got)
		return ""
	}
	if n, err := strconv.ParseUint(port, 10, 16); err != nil || n == 0 {
		s.problem(e.value.at, "server", mailServerMend, "%q is not a TCP port from 1 to 65535", port)
		return ""
	}
	return got
}

func (s *section) mailTo() (to []string) {
	list := s.texts("to")
	if e := s.table.find("to"); e.value.kind == kindList && len(e.value.list) == 0 || len(list) > mostMailTo {
		s.problem(e.value.at, "to", `write them like to = ["shop@air.example"]`, "there are %d addresses, and 1 to %d are wanted", len(list), mostMailTo)
		return nil
	}
	first := map[string]bool{}
	for _, v := range list {
		a := s.mailAddress(v, "to")
		if a == "" {
			continue
		}
		if first[a] {
			s.problem(v.at, "to", "remove one of them", "the address %q is written twice", a)
		}
		first[a] = true
		to = append(to, a)
	}
	return to
}

// mailAddress returns a bare address, or nothing where it is none.
func (s *section) mailAddress(v *value, key string) string {
	if v.kind != kindText {
		return "" // complained of where the text was read
	}
	a, err := mail.ParseAddress(v.text)
	if err != nil || a.Address != v.text || strings.ContainsFunc(v.text, func(r rune) bool { return !strconv.IsPrint(r) || strings.ContainsRune(" <>", r) }) {
		s.problem(v.at, key, addressMend, "%q is not an address", v.text)
		return ""
	}
	return a.Address
}

// secretFile is the absolute path of a file that holds a secret. It is not
// read: a recording starts without it, and a check says that it is missing.
func (l *loader) secretFile(s *section, key string) string {
	path := l.namedFile(s, key, fmt.Sprintf(`write a file, like %s = "secrets/mail"`, key), "put the secret there, readable by this program's user alone")
	if path == "" || runtime.GOOS == "windows" {
		return path
	}
	if info, err := os.Stat(path); err == nil && info.Mode().IsRegular() && info.Mode().Perm()&0o004 != 0 {
		s.warn(s.table.find(key).value.at, key, "take that right away: chmod o-rwx, or chmod 600", "everybody on this computer may read the secret in %s", path)
	}
	return path
}

// namedFile is the absolute path of a file that is read later; empty where the key is
// left out. That it is not there is warned of.
func (l *loader) namedFile(s *section, key, mend, missing string) string {
	got := s.text(key, "")
	e := s.table.find(key)
	if e == nil || e.value.kind != kindText {
		return ""
	}
	if strings.TrimSpace(got) == "" {
		s.problem(e.value.at, key, mend, "the file's name is empty")
		return ""
	}
	path := l.below(got)
	info, err := os.Stat(path)
	switch {
	case err != nil:
		p := unreadable(s.file, s.path(key), e.value.at, path, err, missing)
		s.warn(e.value.at, key, p.Mend, "%s", p.Message)
	case !info.Mode().IsRegular():
		s.warn(e.value.at, key, "name a file", "%s is not a file", path)
	}
	return path
}
