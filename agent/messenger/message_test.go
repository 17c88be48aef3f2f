package messenger

import (
	"regexp"
	"strings"
	"testing"
	"unicode/utf8"
)

// TestHostileTexts: what a controller or a map says may be anything; what is kept
// is bounded, on one line, and without controls.
func TestHostileTexts(t *testing.T) {
	for _, tt := range []struct{ name, text, want string }{
		{"header", "hot\r\nBcc: x@air.example\r\n\r\nbody", "hot  Bcc: x@air.example    body"},
		{"old line ends", "a\rb\vc\fd\u0085e\u2028f\u2029g", "a b c d e f g"},
		{"escape", "\x1b[31mred\x00", "[31mred"},
		{"direction", "a\u202egnp.exe", "a gnp.exe"},
		{"not UTF-8", "a\xff\xfeb", "a  b"},
		{"letters stay", "Öldruck 7,2 bar · 氣壓", "Öldruck 7,2 bar · 氣壓"},
	} {
		if got := (Message{Subject: tt.text}).fitted().Subject; got != tt.want {
			t.Errorf("%s: got %q, want %q", tt.name, got, tt.want)
		}
	}
	m := Message{ID: strings.Repeat("i", 5000), Subject: strings.Repeat("ü", 5000), Text: strings.Repeat("line\r\n", 5000), Data: map[string]string{}}
	for range 100 {
		m.Data[strings.Repeat("k", len(m.Data)+1)] = strings.Repeat("<", 5000)
	}
	m = m.fitted()
	if len(m.ID) > mostID || len(m.Subject) > mostSubject || len(m.Text) > mostText || len(m.Data) != mostData || !utf8.ValidString(m.Subject) {
		t.Errorf("lengths %d, %d, %d, %d details", len(m.ID), len(m.Subject), len(m.Text), len(m.Data))
	}
	if strings.Count(m.Text, "\n") < 1000 || strings.Contains(m.Text, "\r") {
		t.Error("line breaks of the text are lost")
	}
	data, err := (&letter{Message: m}).encode()
	if err != nil || len(data) > mostLetter {
		t.Errorf("the longest message takes %d bytes, %v", len(data), err)
	}
	if back, err := decodeLetter(data); err != nil || back.Message.Text != m.Text {
		t.Errorf("the longest message does not come back: %v", err)
	}
}

// TestWireID: an ID fits a header, has no dot, and two differ where they did.
func TestWireID(t *testing.T) {
	good := regexp.MustCompile(`^[A-Za-z0-9_-]{1,80}$`)
	seen := map[string]string{}
	for _, id := range []string{"alarm-17", "", "a.b", "a b", "a\r\nX: y", strings.Repeat("x", 81), strings.Repeat("x", 82), "Ü"} {
		wire := (&Message{ID: id}).wireID()
		if !good.MatchString(wire) || seen[wire] != "" {
			t.Errorf("%q becomes %q, as %q does", id, wire, seen[wire])
		}
		seen[wire] = id + "!"
	}
	if got := (&Message{ID: "alarm-17"}).wireID(); got != "alarm-17" {
		t.Errorf("a good ID becomes %q", got)
	}
}

func FuzzLetter(f *testing.F) {
	good, err := (&letter{QueuedMS: 1, Message: message("a")}).encode()
	if err != nil {
		f.Fatal(err)
	}
	f.Add(good)
	f.Add([]byte(letterHead + "\n{}"))
	f.Fuzz(func(t *testing.T, data []byte) {
		l, err := decodeLetter(data)
		if err != nil {
			return
		}
		again, err := l.encode()
		if err != nil {
			t.Fatal(err)
		}
		if _, err := decodeLetter(again); err != nil {
			t.Fatalf("%q comes back as %v", data, err)
		}
	})
}
