package main

import (
	"bytes"
	"errors"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/creack/pty"

	"loadscribe/agent/oplog"
	"loadscribe/agent/store"
)

// What a terminal would obey, as somebody could bring it in: clearing the screen, the
// window's title, a cursor that goes back, 8-bit control, hidden and turned text.
const commandsOfOthers = "ok\x1b[2J\x1b]0;owned\x07\rroot#\x9b31m\u009b1m\x00\x7f\x08\u202egpj.exe\u2066x"

func TestPlainText(t *testing.T) {
	var out bytes.Buffer
	w := &plainText{out: &out}
	text := "°F, 7 µm, Grüße 漢字\n\tyes\n" + commandsOfOthers
	for i := range len(text) { // however it is cut
		if _, err := io.WriteString(w, text[i:i+1]); err != nil {
			t.Fatal(err)
		}
	}
	want := "°F, 7 µm, Grüße 漢字\n\tyes\n" + `ok\u001b[2J\u001b]0;owned\u0007\u000droot#\u009b31m\u009b1m\u0000\u007f\u0008\u202egpj.exe\u2066x`
	if out.String() != want {
		t.Errorf("got  %q\nwant %q", out.String(), want)
	}
}

// A note that an older store or another program left holds commands for a terminal:
// listed on one, none of them reaches it. A file gets every byte.
func TestEventsOnATerminal(t *testing.T) {
	dir := t.TempDir()
	site := writeSite(t, dir, netLine("127.0.0.1:1"))
	st, err := store.Open(filepath.Join(dir, "data"), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	_, err = st.AppendEvent(store.Event{Kind: "note", Subject: "comp1", Text: commandsOfOthers, WallMS: 1_772_452_800_000, Data: map[string]string{"author": "\x1b[8m"}})
	if err := errors.Join(err, st.Close()); err != nil {
		t.Fatal(err)
	}
	args := []string{"events", "--site", site, "--from", "2026-03-01", "--to", "2026-03-04"}

	code, got := onScreen(t, args...)
	if code != exitFine || !strings.Contains(got, `ok\u001b[2J`) || strings.ContainsAny(got, "\x1b\x07\x08\x7f\x00\u009b\u202e") {
		t.Errorf("code %d, the terminal gets %q", code, got)
	}
	if out := mustRun(t, args...); !strings.Contains(out, "ok\x1b[2J") {
		t.Errorf("a file gets %q", out)
	}
}

// Errors name what others wrote as well: a file's name, here.
func TestErrorsOnATerminal(t *testing.T) {
	code, got := onScreen(t, "check", "--site", filepath.Join(t.TempDir(), "ok\x1b[2J\x1b]0;owned\x07"))
	if code != exitFailed || !strings.Contains(got, `ok\u001b[2J`) || strings.ContainsAny(got, "\x1b\x07") {
		t.Errorf("code %d, the terminal gets %q", code, got)
	}
}

// onScreen is what a terminal is sent that a command runs on.
func onScreen(t *testing.T, args ...string) (code int, sent string) {
	t.Helper()
	tty, screen, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	shown := make(chan string, 1)
	go func() {
		all, _ := io.ReadAll(tty) // a pseudo-terminal's end is an error
		shown <- string(all)
	}()
	code = execute(t.Context(), args, screen, screen)
	if err := screen.Close(); err != nil {
		t.Fatal(err)
	}
	sent = <-shown
	if err := tty.Close(); err != nil {
		t.Fatal(err)
	}
	return code, sent
}

// One message is one line of the log, whatever a device or a client says in it: of a
// command, of a recording agent on stderr and in its file, and for the journal.
func TestLogLinesCannotBeForged(t *testing.T) {
	var command, recording, journal bytes.Buffer
	file := filepath.Join(t.TempDir(), "log")
	s := &surroundings{stderr: &recording}
	ofAgent, shut, err := s.openLog(file)
	if err != nil {
		t.Fatal(err)
	}
	ofJournal, shutJournal, err := oplog.Open(oplog.Options{Stderr: &journal, Journal: true})
	if err != nil {
		t.Fatal(err)
	}
	for _, log := range []*slog.Logger{(&surroundings{stderr: &command}).logger(), ofAgent, ofJournal} {
		log.Warn("line lost", "device", "a\nlevel=ERROR msg=forged", "err", errors.New("x\r\n"+commandsOfOthers+"\u2028y"), slog.String("key\nk", "v\"q"))
	}
	if err := errors.Join(shut(), shutJournal()); err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	for name, got := range map[string]string{"command": command.String(), "agent": recording.String(), "file": string(text), "journal": journal.String()} {
		if strings.Count(got, "\n") != 1 || !strings.HasSuffix(got, "\n") || strings.ContainsAny(got, "\r\x1b\x07\u009b\u202e\u2028") || !strings.Contains(got, "forged") {
			t.Errorf("%s: the log has %q", name, got)
		}
	}
}
