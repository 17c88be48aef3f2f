package main

import (
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"loadscribe/agent/evidence"
)

// A kept checkpoint is read as it was signed though mail or an editor gave it
// other line ends, and an empty file is none: it must not pass for "not given".
func TestReadCheckpoint(t *testing.T) {
	signed := signedCheckpoint(t)
	name := filepath.Join(t.TempDir(), "kept.txt")
	for _, text := range []string{signed, "\uFEFF" + strings.ReplaceAll(signed, "\n", "\r\n"), "\n" + signed + "\n\n", strings.TrimSuffix(signed, "\n")} {
		if err := os.WriteFile(name, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
		if got, err := readCheckpoint(name); err != nil || string(got) != signed {
			t.Errorf("%q is read as %q, %v", text, got, err)
		}
	}
	for _, text := range []string{"", "\r\n \n", strings.Replace(signed, "\n8\n", "\n9\n", 1), "%PDF-1.4"} {
		if err := os.WriteFile(name, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
		if got, err := readCheckpoint(name); !errors.As(err, &misuse{}) {
			t.Errorf("%q is read as %q, %v; want misuse", text, got, err)
		}
	}
}

// The command that a report prints names report.json, which has over a megabyte for a
// week: its checkpoint is found in it for every command that takes one.
func TestReadCheckpointReport(t *testing.T) {
	signed := signedCheckpoint(t)
	long := strings.Repeat("x", 3*evidence.MaxMail/2)
	name := filepath.Join(t.TempDir(), "report.json")
	write := func(text string) {
		if err := os.WriteFile(name, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	quoted, err := json.Marshal(signed)
	if err != nil {
		t.Fatal(err)
	}
	write(`{"title": "` + long + `", "made": {"checkpoint": ` + string(quoted) + `}}`)
	if got, err := readCheckpoint(name); err != nil || string(got) != signed {
		t.Errorf("read as %.80q, %v", got, err)
	}
	shown := strings.ReplaceAll(strings.ReplaceAll(signed, "/", "/<wbr/>"), "+", "&#43;")
	write("<!DOCTYPE html>\n<p>" + long + "</p>\n<pre>" + strings.TrimSuffix(shown, "\n") + "</pre>\n<pre>loadscribe report</pre>\n")
	if got, err := readCheckpoint(name); err != nil || string(got) != signed {
		t.Errorf("a report.html is read as %.80q, %v", got, err)
	}
	for text, want := range map[string]string{`{"made": {"checkpoint": ""}}`: "has no checkpoint", long: "is no checkpoint",
		"<!DOCTYPE html>\n<p>" + long + "</p>": "not a valid checkpoint"} {
		write(text)
		if got, err := readCheckpoint(name); !errors.As(err, &misuse{}) || !strings.Contains(err.Error(), want) {
			t.Errorf("%.40q is read as %.80q, %v; want misuse: %s", text, got, err, want)
		}
	}
}

// signedCheckpoint is one by a key of its own.
func signedCheckpoint(t *testing.T) string {
	t.Helper()
	key, err := evidence.NewKey()
	if err != nil {
		t.Fatal(err)
	}
	text, err := evidence.Checkpoint{Origin: "loadscribe/00112233445566778899aabbccddeeff", Size: 8, MadeMS: 1_790_000_000_123}.Sign(key)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}
