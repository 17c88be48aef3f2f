package newsite

import (
	"errors"
	"os"
	"path/filepath"
	"testing"
)

// TestFileThatAppearsMeanwhileStays makes the file after Write has looked for it:
// it keeps its text, and is not among those that a failed Write takes away.
func TestFileThatAppearsMeanwhileStays(t *testing.T) {
	file := filepath.Join(t.TempDir(), "site.toml")
	if err := os.WriteFile(file, []byte("somebody's"), 0o644); err != nil {
		t.Fatal(err)
	}
	var made []string
	if err := createFile(file, []byte("ours"), &made); !errors.Is(err, ErrExists) {
		t.Errorf("writing over a file: %v, want one that wraps ErrExists", err)
	}
	if text, err := os.ReadFile(file); err != nil || string(text) != "somebody's" || len(made) != 0 {
		t.Errorf("the file now has %q (%v); to be taken away: %v", text, err, made)
	}
}
