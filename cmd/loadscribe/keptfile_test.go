package main

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
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
