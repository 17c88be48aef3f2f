package messenger

import (
	"context"
	"errors"
	"io"
	"log/slog"
	"mime"
	"mime/quotedprintable"
	"net"
	netmail "net/mail"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"
)

// mailTo is a target that sends by a server, to two people unless others are given.
func mailTo(t *testing.T, s *smtpServer, security string, to ...string) *Mail {
	t.Helper()
	if len(to) == 0 {
		to = []string{"shop@air.example", "on.call@air.example"}
	}
	chicago, err := time.LoadLocation("America/Chicago")
	if err != nil {
		t.Fatal(err)
	}
	m, err := NewMail(MailConfig{Server: s.address, Security: security, User: "shop", PasswordFile: secretFile(t, "hush hush\n"),
		From: "loadscribe@air.example", To: to, Location: chicago}, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// read takes a mail apart as a reader's program does (net/mail, RFC 5322).
func read(t *testing.T, text string) (head netmail.Header, subject, body string) {
	t.Helper()
	m, err := netmail.ReadMessage(strings.NewReader(text))
	if err != nil {
		t.Fatalf("%v in\n%s", err, text)
	}
	if subject, err = new(mime.WordDecoder).DecodeHeader(m.Header.Get("Subject")); err != nil {
		t.Fatal(err)
	}
	data, err := io.ReadAll(quotedprintable.NewReader(m.Body))
	if err != nil {
		t.Fatal(err)
	}
	return m.Header, subject, strings.ReplaceAll(string(data), "\r\n", "\n")
}

// TestMail sends by STARTTLS and by TLS: what arrives, and that nothing went in
// the clear before.
func TestMail(t *testing.T) {
	cert, roots, _, _ := certificate(t)
	for _, security := range []string{SecurityStartTLS, SecurityTLS} {
		for _, auth := range []string{"AUTH PLAIN LOGIN", "AUTH LOGIN XOAUTH2"} {
			s := &smtpServer{cert: &cert, implicit: security == SecurityTLS, offers: []string{"STARTTLS", auth}}
			s.start(t)
			target := mailTo(t, s, security)
			target.roots = roots
			m := message("alarm-17")
			m.Subject, m.AtMS = "Öltemperatur zu hoch", time.Date(2026, 11, 30, 12, 2, 3, 0, time.UTC).UnixMilli()
			answer, err := target.Deliver(t.Context(), &m, 0)
			if err != nil || !strings.Contains(answer, "has taken it for shop@air.example, on.call@air.example") || len(s.mails) != 1 || s.plain {
				t.Fatalf("%s, %s: %q, %v, %d mails, in the clear %v\n%s", security, auth, answer, err, len(s.mails), s.plain, strings.Join(s.commands, "\n"))
			}
			head, subject, body := read(t, s.mails[0])
			if subject != "[Harrow Lane Joinery] Öltemperatur zu hoch" || head.Get("Message-ID") != "<alarm-17@air.example>" || head.Get("Auto-Submitted") != "auto-generated" ||
				!strings.HasPrefix(head.Get("Content-Type"), "text/plain; charset=UTF-8") || head.Get("From") != "<loadscribe@air.example>" || head.Get("User-Agent")+head.Get("X-Mailer") != "" {
				t.Errorf("subject %q, head %v", subject, head)
			}
			if date, err := head.Date(); err != nil || time.Since(date) > time.Minute || time.Since(date) < -time.Minute {
				t.Errorf("date %v, %v", date, err)
			}
			want := "Monday 30 November 2026, 06:02:03 CST (-06:00)\n\nÖltemperatur zu hoch\n\n" + m.Text + "\n\n-- \n" + mailFoot + "\n"
			if body != want {
				t.Errorf("body\n%q\nwant\n%q", body, want)
			}
			for _, to := range []string{"RCPT TO:<shop@air.example>", "RCPT TO:<on.call@air.example>"} {
				if !slices.Contains(s.commands, to) {
					t.Errorf("no %s", to)
				}
			}
		}
	}
}

// TestMailLate: the true time and that it is late stand first.
func TestMailLate(t *testing.T) {
	m := mailTo(t, &smtpServer{address: "127.0.0.1:25"}, SecurityNone)
	msg := message("a")
	msg.AtMS = time.Date(2026, 11, 30, 12, 2, 3, 0, time.UTC).UnixMilli()
	data, err := m.compose(&msg, 3*time.Hour+5*time.Minute, time.Now())
	if err != nil {
		t.Fatal(err)
	}
	_, subject, body := read(t, string(data))
	if subject != "[Harrow Lane Joinery] late, of 30 Nov 06:02: air end hot: comp1" {
		t.Errorf("subject %q", subject)
	}
	if !strings.HasPrefix(body, "This message is late. It is of Monday 30 November 2026, 06:02:03 CST (-06:00), and waited 3 h 5 min to be sent.\n\n") {
		t.Errorf("body %q", body)
	}
	for d, want := range map[time.Duration]string{2 * time.Minute: "2 min", 59*time.Minute + 59*time.Second: "59 min", 25 * time.Hour: "1 d 1 h"} {
		if got := inWords(d); got != want {
			t.Errorf("%v: %q, want %q", d, got, want)
		}
	}
}

// TestMailAnswers: what each refusal means, said without the password.
func TestMailAnswers(t *testing.T) {
	for _, tt := range []struct {
		name    string
		replies map[string]string
		want    string
		mails   int
	}{
		{"not now", map[string]string{"greeting": "421 4.3.2 not now"}, "later", 0},
		{"gone at once", map[string]string{"greeting": ""}, "later", 0},
		{"no service", map[string]string{"greeting": "554 no service"}, "later", 0},
		{"sign-in refused", map[string]string{"AUTH": "535 5.7.8 wrong: " + encoded("shop", "hush hush")[1] + " " + encoded("shop", "hush hush")[0]}, "held", 0},
		{"sign-in later", map[string]string{"AUTH": "454 4.7.0 later"}, "later", 0},
		{"sender refused", map[string]string{"MAIL": "550 5.7.1 not yours"}, "held", 0},
		{"sender later", map[string]string{"MAIL": "451 4.7.1 greylisted"}, "later", 0},
		{"nobody known", map[string]string{"RCPT": "550 5.1.1 no such user"}, "held", 0},
		{"one known", map[string]string{"RCPT TO:<on.call": "550 5.1.1 no such user"}, "partly", 1},
		{"one full", map[string]string{"RCPT TO:<on.call": "452 4.2.2 full"}, "partly", 1},
		{"one unknown, one later", map[string]string{"RCPT TO:<shop": "550 no such user", "RCPT TO:<on.call": "451 later"}, "later", 0},
		{"gone among addresses", map[string]string{"RCPT TO:<on.call": ""}, "later", 0},
		{"no room", map[string]string{"DATA": "452 4.3.1 no room"}, "later", 0},
		{"message refused", map[string]string{"message": "554 5.6.0 looks like junk: hush hush"}, "refused", 1},
		{"message later", map[string]string{"message": "451 4.3.0 later"}, "later", 1},
		{"answer lost", map[string]string{"message": ""}, "later", 1},
		{"gone after it", map[string]string{"QUIT": ""}, "taken", 1},
		{"no code", map[string]string{"MAIL": "hello there"}, "later", 0},
	} {
		t.Run(tt.name, func(t *testing.T) {
			s := &smtpServer{offers: []string{"AUTH PLAIN"}, replies: tt.replies}
			s.start(t)
			m := message("a")
			_, err := mailTo(t, s, SecurityNone).Deliver(t.Context(), &m, 0)
			got := meaning(err)
			if got != tt.want || len(s.mails) != tt.mails {
				t.Errorf("%s (%v) and %d mails, want %s and %d", got, err, len(s.mails), tt.want, tt.mails)
			}
			if err != nil && (strings.Contains(err.Error(), "hush") || strings.Contains(err.Error(), encoded("shop", "hush hush")[0]) ||
				strings.Contains(err.Error(), encoded("shop", "hush hush")[1]) || len(err.Error()) > 1000) {
				t.Errorf("said: %.1500s", err)
			}
		})
	}
}

// TestMailRest: whom a server refuses for now gets the message later, alone; whom it
// refuses for good, or who has it, does not.
func TestMailRest(t *testing.T) {
	people := []string{"shop@air.example", "on.call@air.example", "owner@air.example"}
	s := &smtpServer{offers: []string{"AUTH PLAIN"}}
	s.start(t)
	target := mailTo(t, s, SecurityNone, people...)
	m := message("a")
	for _, tt := range []struct {
		name    string
		replies map[string]string
		had     []string
		want    string // of the error
		took    []string
		again   bool
		asked   []string
	}{
		{"one full", map[string]string{"RCPT TO:<on": "452 4.2.2 full"}, nil, "partly", []string{people[0], people[2]}, true, people},
		{"one full, one unknown", map[string]string{"RCPT TO:<on": "452 4.2.2 full", "RCPT TO:<shop": "550 who?"}, nil, "partly", people[2:], true, people},
		{"one unknown", map[string]string{"RCPT TO:<on": "550 who?"}, nil, "partly", []string{people[0], people[2]}, false, people},
		{"full still", map[string]string{"RCPT TO:<on": "452 4.2.2 full"}, []string{people[0], people[2]}, "partly", nil, true, people[1:2]},
		{"unknown by now", map[string]string{"RCPT TO:<on": "550 who?"}, []string{people[0], people[2]}, "partly", nil, false, people[1:2]},
		{"room again", nil, []string{people[0], people[2]}, "taken", nil, false, people[1:2]},
		{"away again", map[string]string{"greeting": "421 not now"}, people[:1], "later", nil, false, nil},
		{"all have it", map[string]string{"greeting": "421 not now"}, people, "taken", nil, false, nil},
	} {
		s.mu.Lock()
		s.replies, s.commands, s.mails = tt.replies, nil, nil
		s.mu.Unlock()
		m.had = tt.had
		_, err := target.Deliver(t.Context(), &m, 0)
		partly := &Partly{}
		errors.As(err, &partly)
		if got := meaning(err); got != tt.want || !slices.Equal(partly.Took, tt.took) || partly.Again != tt.again || strings.Contains(partly.Why, "\n") {
			t.Errorf("%s: %s (%v), took %v, again %v", tt.name, got, err, partly.Took, partly.Again)
		}
		s.mu.Lock()
		var asked []string
		for _, c := range s.commands {
			if to, found := strings.CutPrefix(c, "RCPT TO:<"); found {
				asked = append(asked, strings.TrimSuffix(to, ">"))
			}
		}
		if !slices.Equal(asked, tt.asked) || len(s.mails) > 0 != (len(tt.took) > 0 || tt.want == "taken" && len(tt.asked) > 0) {
			t.Errorf("%s: asked for %v, %d mails", tt.name, asked, len(s.mails))
		}
		s.mu.Unlock()
	}
	for text, alone := range map[string]bool{"451 4.3.0 later": true, "": false} { // a lost connection is no word on the message
		s.mu.Lock()
		s.replies = map[string]string{"message": text}
		s.mu.Unlock()
		m.had = nil
		_, err := target.Deliver(t.Context(), &m, 0)
		if later := new(Later); !errors.As(err, &later) || later.OfMessage != alone {
			t.Errorf("answer %q: %v", text, err)
		}
	}
	many := make([]error, 50)
	for i := range many {
		many[i] = &Held{Why: strings.Repeat("x", 300)}
	}
	if got := inOneLine(many); len(got) > mostRefusals {
		t.Errorf("fifty refusals are told in %d bytes", len(got))
	}
}

// TestMailEndless: a server whose answer never ends, in lines or in one, is left
// after what answers take.
func TestMailEndless(t *testing.T) {
	for name, more := range map[string]string{"lines": "220-hello there, how are you\r\n", "one line": "220 hello there, how are you?! "} {
		var went atomic.Int64 // bytes that the server got rid of
		url := peerWith(t, func(c net.Conn) {
			for range 10_000 { // some 300 MB, if they were read
				n, err := io.WriteString(c, strings.Repeat(more, 1000))
				went.Add(int64(n))
				if err != nil {
					return
				}
			}
		})
		m := message("a")
		_, err := mailTo(t, &smtpServer{address: strings.TrimPrefix(url, "http://")}, SecurityNone).Deliver(t.Context(), &m, 0)
		if meaning(err) != "later" || went.Load() > 32<<20 { // what the system's buffers hold, at most
			t.Errorf("%s: %.500v after %d MB", name, err, went.Load()>>20)
		}
	}
}

// TestMailDuplicate: a message whose answer was lost comes again under the same
// Message-ID.
func TestMailDuplicate(t *testing.T) {
	s := &smtpServer{offers: []string{"AUTH PLAIN"}, replies: map[string]string{"message": ""}}
	s.start(t)
	target := mailTo(t, s, SecurityNone)
	m := message("alarm.17 of comp1") // one that no header takes as it is
	if _, err := target.Deliver(t.Context(), &m, 0); err == nil {
		t.Error("a lost answer counts as taken")
	}
	s.mu.Lock()
	s.replies = nil
	s.mu.Unlock()
	if _, err := target.Deliver(t.Context(), &m, time.Hour); err != nil || len(s.mails) != 2 {
		t.Fatalf("%v, %d mails", err, len(s.mails))
	}
	first, _, _ := read(t, s.mails[0])
	second, _, _ := read(t, s.mails[1])
	if id := first.Get("Message-ID"); id == "" || id != second.Get("Message-ID") {
		t.Errorf("Message-IDs %q and %q", id, second.Get("Message-ID"))
	}
}

// TestMailSilent: a server that says nothing is left after the time of an attempt,
// and a stop ends the wait at once.
func TestMailSilent(t *testing.T) {
	reached := make(chan struct{}, 2)
	url := peerWith(t, func(c net.Conn) { reached <- struct{}{}; io.Copy(io.Discard, c) })
	target := mailTo(t, &smtpServer{address: strings.TrimPrefix(url, "http://")}, SecurityNone)
	for _, security := range []string{SecurityNone, SecurityTLS} {
		target.config.Security = security
		ctx, cancel := context.WithCancel(t.Context())
		go func() { <-reached; cancel() }()
		m := message("a")
		if _, err := target.Deliver(ctx, &m, 0); err == nil || strings.Contains(err.Error(), "closed network connection") {
			t.Errorf("%s: a silent server: %v", security, err)
		}
	}
	synctest.Test(t, func(t *testing.T) { // the time that the messenger gives an attempt
		hanging := &hangingTarget{reached: make(chan struct{}, 1)}
		m := mustOpen(t, t.TempDir(), Options{}, hanging)
		stop := running(m)
		send(t, m, "a")
		time.Sleep(attemptTime + time.Second)
		if s := m.State()[0]; s.FailingSinceMS == 0 || s.Waiting != 1 {
			t.Errorf("after %v: %+v", attemptTime, s)
		}
		stop()
	})
}

// TestMailUnreachable: the page shows why no mail goes, with the server named once.
func TestMailUnreachable(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	server := l.Addr().String()
	l.Close()
	m, err := NewMail(MailConfig{Server: server, Security: SecurityNone, From: "a@air.example", To: []string{"b@air.example"}}, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	_, err = m.Deliver(t.Context(), &Message{ID: "1", Subject: "x"}, 0)
	var later *Later
	if !errors.As(err, &later) || !strings.HasPrefix(later.Why, "mail by "+server+": no connection: ") || strings.Count(later.Why, server) != 1 {
		t.Errorf("nobody there: %v", err)
	}
}
