package messenger

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/textproto"
	"slices"
	"strings"
	"time"

	"github.com/wneessen/go-mail/smtp"

	"loadscribe/agent/outward"
)

// MailConfig says by which server mail goes, and to whom.
type MailConfig struct {
	Server       string // host:port
	Security     string // SecurityStartTLS, SecurityTLS or SecurityNone
	User         string // empty: no sign-in
	PasswordFile string // absolute; with User
	From         string // a bare address
	To           []string
	Location     *time.Location // for times in the text; nil: UTC
}

// Ways to secure the connection, as in the site file.
const (
	SecurityStartTLS = "starttls"
	SecurityTLS      = "tls"
	SecurityNone     = "none" // to this computer only
)

// Mail sends messages by SMTP (RFC 5321).
type Mail struct {
	config MailConfig
	host   string
	secret outward.Secret
	roots  *x509.CertPool // nil: the system's
}

// mostMailBytes is how much a server may send in one delivery: its answers are
// lines.
const mostMailBytes = 256 << 10

// partingTime is how long a server is waited for to say goodbye.
const partingTime = 5 * time.Second

// NewMail returns a target. The password is not read before the first message.
func NewMail(c MailConfig, log *slog.Logger) (*Mail, error) {
	host, _, err := net.SplitHostPort(c.Server)
	switch {
	case err != nil:
		return nil, fmt.Errorf("mail: %q is not host and port", c.Server)
	case c.Security != SecurityStartTLS && c.Security != SecurityTLS && c.Security != SecurityNone:
		return nil, fmt.Errorf("mail: %q is no security that is known", c.Security)
	case len(c.To) == 0:
		return nil, errors.New("mail: there is nobody to send to")
	}
	if c.Location == nil {
		c.Location = time.UTC
	}
	return &Mail{config: c, host: host, secret: outward.Secret{Path: c.PasswordFile, Log: log.With("target", "mail")}}, nil
}

// Name implements Target.
func (m *Mail) Name() string { return "mail" }

// Kind implements Target.
func (m *Mail) Kind() string { return "mail" }

// To implements Target.
func (m *Mail) To() string { return strings.Join(m.config.To, ", ") }

// Deliver implements Target.
func (m *Mail) Deliver(ctx context.Context, msg *Message, late time.Duration) (string, error) {
	password := ""
	if m.config.User != "" {
		var err error
		if password, err = m.secret.Read(); err != nil {
			return "", err
		}
	}
	if len(m.rest(msg)) == 0 { // the site file has fewer addresses than it had
		return "all who are written to have it", nil
	}
	letter, err := m.compose(msg, late, time.Now())
	if err != nil {
		return "", &Refused{fmt.Sprintf("it cannot be written as a mail: %v", err)}
	}
	conn, err := m.dial(ctx)
	if err != nil {
		if dialed := (*net.OpError)(nil); errors.As(err, &dialed) && dialed.Op == "dial" {
			err = dialed.Err // without the address, which said has
		}
		return "", m.said("no connection", err, password)
	}
	// The library knows no context: a closed connection ends its every wait.
	stop := context.AfterFunc(ctx, func() { conn.Close() })
	defer func() {
		stop()
		conn.Close()
	}()
	answer, err := m.converse(conn, msg, letter, password)
	if later := (*Later)(nil); ctx.Err() != nil && errors.As(err, &later) { // what it says of the closed connection is no help
		return "", &Later{Why: fmt.Sprintf("mail by %s: the server did not answer in time", m.config.Server)}
	}
	return answer, err
}

// dial connects, encrypted where that is so from the first byte.
func (m *Mail) dial(ctx context.Context) (net.Conn, error) {
	dialer := &net.Dialer{}
	if m.config.Security == SecurityNone {
		dialer.Control = outward.LoopbackOnly
	}
	conn, err := dialer.DialContext(ctx, "tcp", m.config.Server)
	if err != nil {
		return nil, err
	}
	bounded := &boundedConn{Conn: conn, left: mostMailBytes}
	if m.config.Security != SecurityTLS {
		return bounded, nil
	}
	encrypted := tls.Client(bounded, m.tls())
	if err := encrypted.HandshakeContext(ctx); err != nil {
		conn.Close()
		return nil, err
	}
	return encrypted, nil
}

func (m *Mail) tls() *tls.Config {
	return &tls.Config{ServerName: m.host, RootCAs: m.roots, MinVersion: tls.VersionTLS12}
}

// converse has the whole talk with a server.
func (m *Mail) converse(conn net.Conn, msg *Message, letter []byte, password string) (string, error) {
	c, err := smtp.NewClient(conn, m.host)
	if err != nil {
		return "", m.said("greeting", err, password)
	}
	c.SkipSMTPUTF8(isASCII(m.config.From + m.To())) // asked for in vain, it makes later servers refuse
	if err := c.Hello(helloName(conn)); err != nil {
		return "", m.said("greeting", err, password)
	}
	if m.config.Security == SecurityStartTLS {
		if offered, _ := c.Extension("STARTTLS"); !offered {
			return "", &Held{Why: fmt.Sprintf("%s offers no STARTTLS, and nothing is sent in the clear: see whether security = \"tls\" is meant", m.config.Server)}
		}
		if err := c.StartTLS(m.tls()); err != nil {
			return "", m.said("STARTTLS", err, password)
		}
	}
	if err := m.signIn(c, password); err != nil {
		return "", err
	}
	answer, err := m.transfer(c, msg, letter, password)
	if conn.SetDeadline(time.Now().Add(partingTime)) == nil {
		_ = c.Quit() // the message has gone or not by now
	}
	return answer, err
}

// signIn says who sends, by the first way that both know.
func (m *Mail) signIn(c *smtp.Client, password string) error {
	if m.config.User == "" {
		return nil
	}
	_, offered := c.Extension("AUTH")
	plain := m.config.Security == SecurityNone // only then, and then to this computer
	var auth smtp.Auth
	ways := strings.Fields(strings.ToUpper(offered))
	for _, way := range []struct {
		name string
		auth smtp.Auth
	}{
		{"PLAIN", smtp.PlainAuth("", m.config.User, password, m.host, plain)},
		{"LOGIN", smtp.LoginAuth(m.config.User, password, m.host, plain)},
		{"CRAM-MD5", smtp.CRAMMD5Auth(m.config.User, password)},
	} {
		for _, o := range ways {
			if o == way.name && auth == nil {
				auth = way.auth
			}
		}
	}
	if auth == nil {
		return &Held{Why: fmt.Sprintf("%s offers no way to sign in that is known here (PLAIN, LOGIN, CRAM-MD5)", m.config.Server)}
	}
	err := c.Auth(auth)
	if code := codeOf(err); code >= 500 {
		return &Held{Why: fmt.Sprintf("%s refuses user and password: %s", m.config.Server, m.words(err, password))}
	}
	if err != nil {
		return m.said("sign-in", err, password)
	}
	return nil
}

// transfer gives the message to the server, for all who can have it and have it not.
func (m *Mail) transfer(c *smtp.Client, msg *Message, letter []byte, password string) (string, error) {
	// Sender and addresses stand in the site file: a server that refuses them for
	// good refuses every message, and a person must mend it.
	if err := c.Mail("<" + m.config.From + ">"); err != nil {
		return "", m.setUp("sender "+m.config.From, err, password)
	}
	var refusals []error
	var taken []string
	again := false
	for _, to := range m.rest(msg) {
		if err := c.Rcpt("<" + to + ">"); err != nil {
			if codeOf(err) == 0 { // the connection, not the address
				return "", m.said("address "+to, err, password)
			}
			refusals = append(refusals, m.setUp("address "+to, err, password))
			again = again || codeOf(err) < 500
			continue
		}
		taken = append(taken, to)
	}
	if len(taken) == 0 && len(msg.had) == 0 {
		return "", worst(refusals)
	}
	if len(taken) == 0 {
		return "", &Partly{Why: inOneLine(refusals), Again: again}
	}
	w, err := c.Data()
	if err != nil {
		return "", m.said("DATA", err, password)
	}
	if _, err := w.Write(letter); err != nil {
		return "", m.said("message", err, password)
	}
	if err := w.Close(); err != nil {
		said := m.said("message", err, password)
		switch code := codeOf(err); {
		case code >= 500:
			return "", &Refused{fmt.Sprintf("%s refuses it: %s", m.config.Server, m.words(err, password))}
		case code != 0:
			return "", &Later{Why: said.Error(), OfMessage: true}
		}
		return "", said
	}
	if len(refusals) > 0 {
		return "", &Partly{inOneLine(refusals), taken, again}
	}
	return fmt.Sprintf("%s has taken it for %s", m.config.Server, strings.Join(taken, ", ")), nil
}

// rest are the addresses that have not got a message.
func (m *Mail) rest(msg *Message) []string {
	return slices.DeleteFunc(slices.Clone(m.config.To), func(to string) bool { return slices.Contains(msg.had, to) })
}

// inOneLine joins refusals, of which there may be many.
func inOneLine(refusals []error) string {
	texts := make([]string, len(refusals))
	for i, err := range refusals {
		texts[i] = err.Error()
	}
	return outward.Cut(strings.Join(texts, "; "), mostRefusals)
}

// mostRefusals is how much is kept of what is said of addresses, in bytes.
const mostRefusals = 1000

// worst is the refusal that decides where nobody could have the message: one that
// may be over by itself before one that is for good.
func worst(refusals []error) error {
	for _, err := range refusals {
		var later *Later
		if errors.As(err, &later) {
			return err
		}
	}
	return refusals[0]
}

// setUp is a refusal that holds for every message, or for now.
func (m *Mail) setUp(what string, err error, password string) error {
	if codeOf(err) >= 500 {
		return &Held{Why: fmt.Sprintf("%s refuses %s: %s", m.config.Server, what, m.words(err, password))}
	}
	return m.said(what, err, password)
}

// said is a failure that may be over by itself, but for a certificate that does
// not hold.
func (m *Mail) said(what string, err error, password string) error {
	var held *Held
	if errors.As(err, &held) {
		return held
	}
	var wrongCertificate *tls.CertificateVerificationError
	if errors.As(err, &wrongCertificate) {
		return &Held{Why: fmt.Sprintf("%s does not prove who it is: %v", m.config.Server, wrongCertificate.Err)}
	}
	return &Later{Why: fmt.Sprintf("mail by %s: %s: %s", m.config.Server, what, m.words(err, password))}
}

// words are what a server or the library said, without the password.
func (m *Mail) words(err error, password string) string {
	if words := outward.Unreached(err); words != "" {
		return words
	}
	return outward.Without(err.Error(), append(encoded(m.config.User, password), password)...)
}

// codeOf is the code of a server's answer, or 0.
func codeOf(err error) int {
	var answer *textproto.Error
	if errors.As(err, &answer) {
		return answer.Code
	}
	return 0
}
