package outward

import (
	"os"
	"path/filepath"
	"testing"
)

// What the system will not bring to a disk is no kept message: it takes writes to the
// null device and syncs neither that nor a folder of /proc.
func TestKeptIsSynced(t *testing.T) {
	path := filepath.Join(t.TempDir(), "letter")
	if err := os.Symlink(os.DevNull, path); err != nil {
		t.Fatal(err)
	}
	if err := (Disk{}).WriteSynced(path, []byte("a")); err == nil {
		t.Error("a file that cannot be synced passes for safe")
	}
	if err := (Disk{}).SyncDir("/proc/self"); err == nil {
		t.Error("a folder that cannot be synced passes for safe")
	}
}
