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
	const signed = "loadscribe/0\n1\nroot\nmade\nreadings\nkey\n\n\u2014 loadscribe/0 sig\n"
	name := filepath.Join(t.TempDir(), "kept.txt")
	for _, text := range []string{signed, "\uFEFF" + strings.ReplaceAll(signed, "\n", "\r\n"), "\n" + signed + "\n\n", strings.TrimSuffix(signed, "\n")} {
		if err := os.WriteFile(name, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
		if got, err := readCheckpoint(name); err != nil || string(got) != signed {
			t.Errorf("%q is read as %q, %v", text, got, err)
		}
	}
	for _, text := range []string{"", "\r\n \n"} {
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
	const signed = "loadscribe/0\n1\nroot\nmade\nreadings\nkey\n\n\u2014 loadscribe/0 sig\n"
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
	for text, want := range map[string]string{`{"made": {"checkpoint": ""}}`: "has no checkpoint", long: "is no checkpoint"} {
		write(text)
		if got, err := readCheckpoint(name); !errors.As(err, &misuse{}) || !strings.Contains(err.Error(), want) {
			t.Errorf("%.40q is read as %.80q, %v; want misuse: %s", text, got, err, want)
		}
	}
}
