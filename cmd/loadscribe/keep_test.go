package main

import (
	"os"
	"path/filepath"
	"runtime"
	"testing"
	"time"

	"loadscribe/agent/store"
)

// A backup taken while the agent records gives, in another place, the same
// figures to the last byte; so does the store itself after compaction, which is
// refused while the agent runs.
func TestBackupOfARunningAgentHasTheSameFigures(t *testing.T) {
	program := builtBinary(t)
	dir := t.TempDir()
	site := writeSite(t, dir, netLine(servePlant(t, "127.0.0.1:0", nil).address))
	begin := time.Now()
	c := startChild(t, program, "run", "--site", site)
	address := agentAt(t, dir)
	seen := durable(t, address)
	copied := filepath.Join(t.TempDir(), "loadscribe.backup")
	mustFail(t, exitFailed, []string{"in use", "stop it first"}, "compact", "--site", site)
	mustRun(t, "backup", "--site", site, "--out", copied)
	info, err := store.CheckBackup(copied)
	if err != nil || info.Seq < seen {
		t.Fatalf("the backup ends with scan %d (%v); %d were safe on disk before", info.Seq, err, seen)
	}
	mustFail(t, exitWrongUse, []string{"is there already", "--force"}, "backup", "--site", site, "--out", copied)
	mustRun(t, "backup", "--site", site, "--out", copied, "--force")
	mustFail(t, exitWrongUse, []string{"is a folder"}, "backup", "--site", site, "--out", t.TempDir())
	// over the file that the agent writes, by two names of it
	outs := []string{filepath.Join(dir, "data", "store.db"), filepath.Join(dir, "data", "journal", "copy")}
	link := filepath.Join(dir, "link")
	if err := os.Symlink(filepath.Join(dir, "data"), link); err == nil {
		outs = append(outs, filepath.Join(link, "store.db"))
	} else if runtime.GOOS != "windows" { // there it needs a right of its own
		t.Fatal(err)
	}
	for _, out := range outs {
		mustFail(t, exitWrongUse, []string{"in the data directory"}, "backup", "--site", site, "--out", out)
		mustFail(t, exitWrongUse, []string{"in the data directory"}, "export", "--site", site, "--from", "-1h", "--out", out)
	}
	durable(t, address)
	c.cmd.Process.Kill() // the hour stays in the journal
	<-c.ended

	// The window ends with the backup's last scan.
	window := []string{"--from", begin.UTC().Format(time.RFC3339Nano), "--to", time.UnixMilli(info.NewestMS).UTC().Format(time.RFC3339Nano), "--json"}
	figures := func(data string) string {
		return mustRun(t, append([]string{"summary", "--site", site, "--data", data}, window...)...)
	}
	want := figures(filepath.Join(dir, "data"))
	restored := t.TempDir()
	copyTo(t, copied, filepath.Join(restored, "store.db"))
	if got := figures(restored); got != want {
		t.Errorf("the backup gives\n%s\nthe store\n%s", got, want)
	}

	late := filepath.Join(t.TempDir(), "late.backup")
	mustRun(t, "backup", "--site", site, "--out", late)
	restored = t.TempDir()
	copyTo(t, late, filepath.Join(restored, "store.db"))
	if got := figures(restored); got != want {
		t.Errorf("the backup of the killed agent's store gives\n%s\nthe store\n%s", got, want)
	}
	mustRun(t, "compact", "--site", site)
	if got := figures(filepath.Join(dir, "data")); got != want {
		t.Errorf("the compacted store gives\n%s\nbefore\n%s", got, want)
	}
}

func copyTo(t *testing.T, from, to string) {
	t.Helper()
	text, err := os.ReadFile(from)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(to, text, 0o644); err != nil {
		t.Fatal(err)
	}
}
