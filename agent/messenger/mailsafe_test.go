package messenger

import (
	"crypto/tls"
	"errors"
	"log/slog"
	"os"
	"slices"
	"strings"
	"testing"
	"time"
)

// TestMailInjection: what a controller's fault text holds makes no header, no
// address and no end of the message.
func TestMailInjection(t *testing.T) {
	s := &smtpServer{offers: []string{"AUTH PLAIN"}}
	s.start(t)
	target := mailTo(t, s, SecurityNone)
	m := message("x\r\nBcc: thief@air.example")
	m.Subject = "fault\r\nBcc: thief@air.example\r\nContent-Type: text/html\r\n\r\n<h1>"
	m.Site = "Shop\r\nX-Site: 1"
	m.Text = "before\r\n.\r\nMAIL FROM:<thief@air.example>\r\n..\r\nafter =3D=0D=0A"
	m = m.fitted()
	if _, err := target.Deliver(t.Context(), &m, time.Hour); err != nil {
		t.Fatal(err)
	}
	head, subject, body := read(t, s.mails[0])
	for name := range head {
		if !slices.Contains([]string{"Mime-Version", "Date", "Subject", "Message-Id", "Auto-Submitted", "From", "To", "Content-Type", "Content-Transfer-Encoding"}, name) {
			t.Errorf("a header %s", name)
		}
	}
	if !strings.Contains(subject, "fault  Bcc: thief@air.example") || !strings.HasPrefix(head.Get("Content-Type"), "text/plain") {
		t.Errorf("subject %q, %s", subject, head.Get("Content-Type"))
	}
	if !strings.Contains(body, "before\n.\nMAIL FROM:<thief@air.example>\n..\nafter =3D=0D=0A\n") {
		t.Errorf("body %q", body)
	}
	for _, c := range s.commands {
		if strings.Contains(c, "thief") {
			t.Errorf("command %q", c)
		}
	}
	if len(s.mails) != 1 {
		t.Errorf("%d mails", len(s.mails))
	}
}

// TestMailNoDowngrade: a server (or somebody before it) that offers no STARTTLS,
// refuses it or proves to be another gets neither password nor message; words put
// in the clear before the encryption are not believed.
func TestMailNoDowngrade(t *testing.T) {
	cert, roots, _, _ := certificate(t)
	other, _, _, _ := certificate(t)
	for _, tt := range []struct {
		name    string
		offers  []string
		replies map[string]string
		cert    bool // its own
		want    string
	}{
		{"not offered", []string{"AUTH PLAIN"}, nil, true, "held"},
		{"refused", []string{"STARTTLS", "AUTH PLAIN"}, map[string]string{"STARTTLS": "454 not now"}, true, "later"},
		{"words put before it", []string{"STARTTLS", "AUTH PLAIN"}, map[string]string{"STARTTLS": "220 go on\r\n250-mail.example\r\n250 AUTH GSSAPI"}, true, "taken"},
		{"another's certificate", []string{"STARTTLS", "AUTH PLAIN"}, nil, false, "held"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			s := &smtpServer{cert: &cert, offers: tt.offers, replies: tt.replies}
			if !tt.cert {
				s.cert = &other
			}
			s.start(t)
			target := mailTo(t, s, SecurityStartTLS)
			target.roots = roots
			m := message("a")
			_, err := target.Deliver(t.Context(), &m, 0)
			if got := meaning(err); got != tt.want || s.plain || len(s.mails) > 0 != (tt.want == "taken") {
				t.Errorf("%s (%v), want %s; in the clear: %v, %d mails", got, err, tt.want, s.plain, len(s.mails))
			}
		})
	}
}

// TestMailOldTLS: a server that knows TLS 1.1 at most gets nothing.
func TestMailOldTLS(t *testing.T) {
	cert, roots, _, _ := certificate(t)
	for _, security := range []string{SecurityStartTLS, SecurityTLS} {
		s := &smtpServer{cert: &cert, implicit: security == SecurityTLS, offers: []string{"STARTTLS", "AUTH PLAIN"}, maxTLS: tls.VersionTLS11}
		s.start(t)
		target := mailTo(t, s, security)
		target.roots = roots
		m := message("a")
		if _, err := target.Deliver(t.Context(), &m, 0); err == nil || len(s.mails) > 0 || s.plain {
			t.Errorf("%s: %v, %d mails", security, err, len(s.mails))
		}
	}
}

// TestMailPassword: a wrong password is a set-up fault that holds, said without
// it though the server repeats it; a right one put into the file mends it without
// a restart.
func TestMailPassword(t *testing.T) {
	s := &smtpServer{offers: []string{"AUTH PLAIN"}}
	s.start(t)
	target := mailTo(t, s, SecurityNone)
	m := message("a")
	for _, password := range []string{"sesame", ""} {
		if err := os.WriteFile(target.secret.Path, []byte(password), 0o600); err != nil {
			t.Fatal(err)
		}
		_, err := target.Deliver(t.Context(), &m, 0)
		var held *Held
		if !errors.As(err, &held) || strings.Contains(err.Error(), "sesame") {
			t.Errorf("password %q: %v", password, err)
		}
	}
	if err := os.WriteFile(target.secret.Path, []byte("hush hush"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := target.Deliver(t.Context(), &m, 0); err != nil {
		t.Errorf("the right password: %v", err)
	}
	if s.offers = []string{"AUTH GSSAPI"}; len(s.mails) != 1 {
		t.Errorf("%d mails", len(s.mails))
	}
	var held *Held
	if _, err := target.Deliver(t.Context(), &m, 0); !errors.As(err, &held) {
		t.Errorf("no way to sign in: %v", err)
	}
}

// TestMailPlainLeaves: security "none" is for this computer.
func TestMailPlainLeaves(t *testing.T) {
	m := message("a")
	var held *Held
	if _, err := mailTo(t, &smtpServer{address: "192.0.2.1:25"}, SecurityNone).Deliver(t.Context(), &m, 0); !errors.As(err, &held) {
		t.Errorf("got %v", err)
	}
	for _, c := range []MailConfig{{}, {Server: "mail.example"}, {Server: "mail.example:25", Security: "ssl", To: []string{"a@air.example"}}, {Server: "mail.example:25", Security: SecurityTLS}} {
		if _, err := NewMail(c, slog.New(slog.DiscardHandler)); err == nil {
			t.Errorf("%+v is taken", c)
		}
	}
}
