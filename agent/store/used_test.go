package store

import (
	"os"
	"path/filepath"
	"testing"
)

// What a kill leaves before there was any record is not a record lost: the lock
// alone, or a copy that did not get to take the store's place. A directory that has
// its key but no database has lost one.
func TestUsedDirectory(t *testing.T) {
	for _, c := range []struct {
		name string
		left []string
		lost bool
	}{
		{"the lock alone", []string{lockName}, false},
		{"a copy and its key", []string{lockName, filepath.Join(sideDir, databaseName), keyName}, false},
		{"the key of a record", []string{lockName, keyName}, true},
	} {
		dir := t.TempDir()
		for _, name := range c.left {
			path := filepath.Join(dir, name)
			if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
				t.Fatal(err)
			}
			var text []byte
			if name == keyName {
				text = aKey(t)
			}
			if err := os.WriteFile(path, text, 0o600); err != nil {
				t.Fatal(err)
			}
		}
		s, err := Open(dir, Options{Clock: newTestClock()})
		if err != nil {
			t.Fatalf("%s: %v", c.name, err)
		}
		if events := damageEvents(t, s); len(events) > 0 != c.lost {
			t.Errorf("%s: events %q, lost should be %v", c.name, events, c.lost)
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
}

// aKey is the key file of a store.
func aKey(t *testing.T) []byte {
	t.Helper()
	dir := t.TempDir()
	s, err := Open(dir, Options{Clock: newTestClock()})
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(filepath.Join(dir, keyName))
	if err != nil {
		t.Fatal(err)
	}
	return text
}
