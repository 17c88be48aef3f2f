package main

import (
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
)

// TestOnlyTheOwnerReads runs the program under a umask that takes nothing away: whatever
// it makes beside the site file is its user's alone, the backup and the log included.
func TestOnlyTheOwnerReads(t *testing.T) {
	program := builtBinary(t)
	plant := servePlant(t, "127.0.0.1:0", nil)
	dir := t.TempDir()
	site := writeSite(t, dir, netLine(plant.address))
	text, err := os.ReadFile(site)
	if err != nil {
		t.Fatal(err)
	}
	kept := "[agent]\nlog = \"data/log/loadscribe.log\"\nbackup = { dir = \"backups\", every = \"24h\", keep = 2 }\n"
	writeFile(t, site, strings.Replace(string(text), "[agent]\n", kept, 1))
	run := exec.Command("/bin/sh", "-c", `umask 0; exec "$0" run --site "$1"`, program, site)
	if err := run.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { run.Process.Kill() })
	durable(t, agentAt(t, dir))
	eventually(t, "a backup", 20*time.Second, func() bool {
		all, err := os.ReadDir(filepath.Join(dir, "backups"))
		return err == nil && len(all) > 0 && !strings.HasSuffix(all[0].Name(), ".part")
	})
	looked := looksTight(t, dir) // agent.json is there only while it runs
	if err := run.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	if err := run.Wait(); err != nil {
		t.Fatal(err)
	}
	looked += looksTight(t, dir)
	if looked < 12 {
		t.Errorf("%d files and folders were looked at: they are not where they were", looked)
	}
}

// looksTight checks the rights of all below the data and backup folders.
func looksTight(t *testing.T, dir string) (n int) {
	t.Helper()
	for _, folder := range []string{"data", "backups"} {
		err := filepath.WalkDir(filepath.Join(dir, folder), func(path string, d fs.DirEntry, err error) error {
			if err != nil {
				return err
			}
			info, err := d.Info()
			if err != nil {
				return nil // gone meanwhile
			}
			n++
			if info.Mode().Perm()&0o077 != 0 {
				t.Errorf("%s: others have rights on it: %v", path, info.Mode())
			}
			return nil
		})
		if err != nil {
			t.Error(err)
		}
	}
	return n
}
