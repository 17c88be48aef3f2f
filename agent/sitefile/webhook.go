package sitefile

import (
	"net"
	"net/url"
	"strings"
)

// Webhook is an address to which messages are posted.
type Webhook struct {
	Name string
	URL  string // https, or http to this computer
	// SecretFile is absolute: what the messages are signed with. It is not read
	// here.
	SecretFile string
}

// mailName is the name of the target of [mail], which no webhook may have.
const mailName = "mail"

const (
	webhookURLMend    = `write like url = "https://dispatch.example/air"`
	webhookSecretMend = `write the file of the signing secret, like secret_file = "secrets/dispatch"`
	mostWebhooks      = 20
)

// readWebhooks reads the tables [[webhook]].
func (l *loader) readWebhooks(root *section) {
	taken := names{}
	all := root.subs("webhook")
	if len(all) > mostWebhooks {
		s := all[mostWebhooks]
		s.problem(s.table.at, "", "let one of them pass the messages on", "there are %d webhooks, more than %d", len(all), mostWebhooks)
		return
	}
	for _, s := range all {
		w := Webhook{Name: s.ident("name", `name it, like name = "dispatch"`)}
		if s.need("url", webhookURLMend) != nil {
			w.URL = s.webAddress(webhookURLMend, "post a message", "leave them out: the signature says who sends", "the messages")
		}
		if s.need("secret_file", webhookSecretMend) != nil {
			w.SecretFile = l.secretFile(s, "secret_file")
		}
		s.done()
		if w.Name == "" {
			continue
		}
		if strings.EqualFold(w.Name, mailName) {
			s.problem(s.table.find("name").value.at, "name", "give it another name", "%q is the name of the target of [mail]", w.Name)
			continue
		}
		if taken.add(s, "name", w.Name) {
			l.site.Webhooks = append(l.site.Webhooks, w)
		}
	}
}

// webAddress returns the address under url, or nothing where it is wrong: mend is
// what to write, way what it is for, user what to do instead of a password in it and
// what is sent there. What is wrong is said without the address's path and query,
// which may hold a secret.
func (s *section) webAddress(mend, way, user, what string) string {
	got := s.text("url", "")
	e := s.table.find("url")
	if e.value.kind != kindText {
		return ""
	}
	wrong := func(mend, format string, args ...any) string {
		s.problem(e.value.at, "url", mend, format, args...)
		return ""
	}
	u, err := url.Parse(got)
	if err != nil || u.Hostname() == "" || u.Opaque != "" || strings.ContainsAny(got, " \t\r\n") {
		return wrong(mend, "this is not a web address")
	}
	switch {
	case u.User != nil:
		return wrong(user, "user and password stand in the address")
	case u.Fragment != "":
		return wrong("leave out # and what follows", "the part after # is never sent")
	case u.Scheme == "http" && !loopback(net.JoinHostPort(u.Hostname(), "80")):
		return wrong(`write https://; http:// is for an address on this computer`, "%s would cross the network to %s in the clear", what, u.Hostname())
	case u.Scheme != "https" && u.Scheme != "http":
		return wrong(mend, "%q is not a way to %s", u.Scheme, way)
	}
	return got
}
