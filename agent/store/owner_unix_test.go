//go:build !windows

package store

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// What an administrator's command leaves in a service's record, the service could not
// read: it is refused, with the account to do it as. Reading stays free, and so does
// asking a running agent, which the caller tries on ErrLocked.
func TestAnAdministratorLeavesNothingInAnothersRecord(t *testing.T) {
	if os.Geteuid() != 0 {
		t.Skip("needs to run as the administrator")
	}
	const nobody = 65534
	dir := t.TempDir()
	s, err := Open(dir, Options{})
	if err != nil {
		t.Fatal(err)
	}
	err = filepath.WalkDir(dir, func(path string, _ os.DirEntry, err error) error {
		return errors.Join(err, os.Chown(path, nobody, nobody))
	})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := Hold(dir); !errors.Is(err, ErrLocked) {
		t.Errorf("while an agent has it: %v, want ErrLocked", err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	for name, open := range map[string]func() error{
		"Open": func() error { _, err := Open(dir, Options{}); return err },
		"Hold": func() error { _, err := Hold(dir); return err },
	} {
		if err := open(); err == nil || !strings.Contains(err.Error(), dir+" belongs to ") || !strings.Contains(err.Error(), "sudo -u ") {
			t.Errorf("%s: %v, want whose it is and as whom to do it", name, err)
		}
	}
	read, err := OpenReadOnly(dir, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if err := read.Close(); err != nil {
		t.Fatal(err)
	}
}
