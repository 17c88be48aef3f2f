package messenger

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"slices"
	"strings"
	"testing"
	"time"

	"loadscribe/testdata/peers"
)

// peerMail is what the independent server read in a mail.
type peerMail struct {
	From      string   `json:"from"`
	To        []string `json:"to"`
	Encrypted bool     `json:"encrypted"`
	Names     []string `json:"names"`
	Subject   string   `json:"subject"`
	ID        string   `json:"id"`
	Date      float64  `json:"date"`
	Type      string   `json:"type"`
	Text      string   `json:"text"`
	Defects   []string `json:"defects"`
}

// TestMailPeer sends to an independent mail server (Debian's python3-aiosmtpd) by
// STARTTLS with sign-in, and reads the mails with Python's email package: ordinary
// ones, hostile ones, and none with a wrong password.
func TestMailPeer(t *testing.T) {
	python, err := exec.LookPath("/usr/bin/python3")
	if err == nil {
		err = exec.Command(python, "-c", "import aiosmtpd").Run()
	}
	if err != nil {
		peers.Missing(t, "python3-aiosmtpd is not installed (see .ci/peers): %v", err)
	}
	_, roots, certFile, keyFile := certificate(t)
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	address := l.Addr().String()
	l.Close()
	_, port, _ := net.SplitHostPort(address)
	lines := startPeer(t, exec.Command(python, "../../testdata/peers/mail_server.py", port, certFile, keyFile))
	target := mailTo(t, &smtpServer{address: address}, SecurityStartTLS)
	target.roots = roots
	for i, text := range []string{
		"discharge temperature is 108 °C, limit 105 °C",
		"Öldruck · 氣壓 · " + strings.Repeat("a long line without an end ", 100),
		"one\n.\nQUIT\nFrom here\n..two\n",
		"<script>alert(1)</script> =41=0D=0ABcc: x",
		strings.Repeat("x", 7900),
	} {
		m := message(fmt.Sprint("alarm-", i))
		m.Subject, m.Text = "Öltemperatur "+strings.Repeat("sehr ", i*8)+"hoch\r\nBcc: thief@air.example", text
		m = m.fitted()
		if _, err := target.Deliver(t.Context(), &m, time.Duration(i)*time.Hour); err != nil {
			t.Fatalf("message %d: %v", i, err)
		}
		line, err := lines.ReadString('\n')
		if err != nil {
			t.Fatalf("message %d: %v", i, err)
		}
		t.Run(fmt.Sprint("message ", i), func(t *testing.T) { checkPeerMail(t, line, target, &m, time.Duration(i)*time.Hour) })
	}
	if err := os.WriteFile(target.secret.Path, []byte("sesame"), 0o600); err != nil {
		t.Fatal(err)
	}
	m := message("b")
	var held *Held
	if _, err := target.Deliver(t.Context(), &m, 0); !errors.As(err, &held) || strings.Contains(err.Error(), "sesame") {
		t.Errorf("wrong password: %v", err)
	}
	target.config.User = ""
	if _, err := target.Deliver(t.Context(), &m, 0); !errors.As(err, &held) {
		t.Errorf("without sign-in: %v", err)
	}
}

// checkPeerMail holds what the peer read to what was meant.
func checkPeerMail(t *testing.T, line string, target *Mail, m *Message, late time.Duration) {
	var got peerMail
	if err := json.Unmarshal([]byte(line), &got); err != nil {
		t.Fatalf("%v in %q", err, line)
	}
	if got.From != "loadscribe@air.example" || !slices.Equal(got.To, []string{"shop@air.example", "on.call@air.example"}) || !got.Encrypted ||
		got.ID != "<"+m.ID+"@air.example>" || got.Type != "text/plain" || len(got.Defects) > 0 {
		t.Errorf("%+v", got)
	}
	// A long subject begins on the next line, and Python's package keeps the space
	// before it; the lines end as in the mail.
	if want := target.subject(m, late); strings.TrimSpace(got.Subject) != want {
		t.Errorf("subject\n%q, want\n%q", got.Subject, want)
	}
	if want := target.body(m, late); strings.TrimSpace(strings.ReplaceAll(got.Text, "\r\n", "\n")) != strings.TrimSpace(want) {
		t.Errorf("text\n%.600q, want\n%.600q", got.Text, want)
	}
	if age := float64(time.Now().Unix()) - got.Date; slices.Contains(got.Names, "Bcc") || age < -60 || age > 600 {
		t.Errorf("headers %v, %g s old", got.Names, age)
	}
}

// startPeer starts a peer, waits until it is ready and ends it with the test.
func startPeer(t *testing.T, cmd *exec.Cmd) *bufio.Reader {
	t.Helper()
	in, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	var said bytes.Buffer
	cmd.Stderr = &said
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		in.Close() // it ends by itself then
		timer := time.AfterFunc(10*time.Second, func() { cmd.Process.Kill() })
		defer timer.Stop()
		if err := cmd.Wait(); err != nil {
			t.Errorf("the peer: %v", err)
		}
		if t.Failed() {
			t.Logf("the peer said: %.2000s", said.String())
		}
	})
	lines := bufio.NewReader(out)
	if line, err := lines.ReadString('\n'); err != nil || line != "ready\n" {
		t.Fatalf("the peer says %q, %v", line, err)
	}
	return lines
}
