package door

import (
	"os"
	"path/filepath"
	"testing"
)

// What the system will not bring to a disk does not take the place of what is there:
// it takes writes to the null device and does not sync it.
func TestKeptIsSynced(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, peopleFile)
	if err := os.WriteFile(path, []byte("before"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(os.DevNull, path+".new"); err != nil {
		t.Fatal(err)
	}
	if err := keepFile(dir, peopleFile, []byte("after")); err == nil {
		t.Error("a file that cannot be synced passes for kept")
	}
	if text, err := os.ReadFile(path); err != nil || string(text) != "before" {
		t.Errorf("the file says %q, %v", text, err)
	}
}
