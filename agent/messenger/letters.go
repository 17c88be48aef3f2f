package messenger

import (
	"bytes"
	"encoding/base64"
	"errors"
	"fmt"
	"net"
	"strings"
	"time"

	"github.com/wneessen/go-mail"

	"loadscribe/agent/outward"
)

// errTalkative: a server sent more than its part of a talk has.
var errTalkative = errors.New("the server sends without end")

// boundedConn ends a connection from which too much comes. It is read by one
// goroutine.
type boundedConn struct {
	net.Conn
	left int
}

// Read implements net.Conn.
func (c *boundedConn) Read(p []byte) (int, error) {
	if c.left <= 0 {
		return 0, errTalkative
	}
	n, err := c.Conn.Read(p[:min(len(p), c.left)])
	c.left -= n
	return n, err
}

// helloName is this end as an address literal (RFC 5321, section 4.1.3): a
// computer in a shop has no name that a server could look up.
func helloName(conn net.Conn) string {
	host, _, err := net.SplitHostPort(conn.LocalAddr().String())
	ip := net.ParseIP(host)
	switch {
	case err != nil || ip == nil:
		return "localhost"
	case ip.To4() != nil:
		return "[" + ip.String() + "]"
	default:
		return "[IPv6:" + ip.String() + "]"
	}
}

// encoded are the forms in which a password crosses the line.
func encoded(user, password string) []string {
	if password == "" {
		return nil
	}
	return []string{base64.StdEncoding.EncodeToString([]byte(password)), base64.StdEncoding.EncodeToString([]byte("\x00" + user + "\x00" + password))}
}

func isASCII(text string) bool {
	return !strings.ContainsFunc(text, func(r rune) bool { return r > 0x7e })
}

const mailFoot = "loadscribe listens and tells; it is not a safety device. A message may come late or never."

// compose writes a message as a mail. Its Message-ID is the same at every
// attempt, so that one that comes twice is seen as one; its Date is that of the
// attempt, for a server may take an old one for junk.
func (m *Mail) compose(msg *Message, late time.Duration, now time.Time) ([]byte, error) {
	letter := mail.NewMsg(mail.WithNoDefaultUserAgent())
	if err := letter.From(m.config.From); err != nil {
		return nil, err
	}
	if err := letter.To(m.config.To...); err != nil {
		return nil, err
	}
	_, domain, _ := strings.Cut(m.config.From, "@")
	letter.SetMessageIDWithValue(msg.wireID() + "@" + domain)
	letter.SetDateWithValue(now)
	letter.SetGenHeader("Auto-Submitted", "auto-generated") // RFC 3834: no absence notes in answer
	letter.Subject(m.subject(msg, late))
	letter.SetBodyString(mail.TypeTextPlain, m.body(msg, late))
	var b bytes.Buffer
	if _, err := letter.WriteTo(&b); err != nil {
		return nil, err
	}
	return b.Bytes(), nil
}

func (m *Mail) at(msg *Message) time.Time { return time.UnixMilli(msg.AtMS).In(m.config.Location) }

func (m *Mail) subject(msg *Message, late time.Duration) string {
	subject := msg.Subject
	if late >= LateAfter {
		subject = "late, of " + m.at(msg).Format("2 Jan 15:04") + ": " + subject
	}
	if msg.Site != "" {
		subject = "[" + msg.Site + "] " + subject
	}
	return outward.Line(subject)
}

func (m *Mail) body(msg *Message, late time.Duration) string {
	at := m.at(msg).Format("Monday 2 January 2006, 15:04:05 MST (-07:00)")
	if late >= LateAfter {
		at = "This message is late. It is of " + at + ", and waited " + inWords(late) + " to be sent."
	}
	return at + "\n\n" + msg.Subject + "\n\n" + msg.Text + "\n\n-- \n" + mailFoot + "\n"
}

// inWords is a waiting in the largest two units.
func inWords(d time.Duration) string {
	minutes := int(d / time.Minute)
	switch days, hours := minutes/1440, minutes/60%24; {
	case days > 0:
		return fmt.Sprintf("%d d %d h", days, hours)
	case hours > 0:
		return fmt.Sprintf("%d h %d min", hours, minutes%60)
	default:
		return fmt.Sprintf("%d min", minutes)
	}
}
