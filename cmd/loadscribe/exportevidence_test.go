package main

import (
	"archive/zip"
	"bytes"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// TestEvidenceOfARunningAgent exports a bundle from a running agent, and again
// from what it left: both hold, and have the readings that an ordinary export of
// the same window has.
func TestEvidenceOfARunningAgent(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "shop")
	site := filepath.Join(dir, "site.toml")
	fillShop(t, t.Context(), openShop(t, dir, time.Now(), false), quiet)
	out := t.TempDir()
	window := []string{"--site", site, "--from", time.Now().Add(-100 * time.Minute).UTC().Format(time.RFC3339),
		"--to", time.Now().Add(-20 * time.Minute).UTC().Format(time.RFC3339)}
	export := func(name string, more ...string) string {
		file := filepath.Join(out, name)
		mustRun(t, append(append([]string{"export", "--out", file}, window...), more...)...)
		return file
	}
	check := func(file, kept string) {
		t.Helper()
		said := mustRun(t, "verify", file, "--checkpoint", kept)
		if !strings.Contains(said, "holds: its readings are what the log") || !strings.Contains(said, "kept checkpoint") {
			t.Errorf("verify says\n%s", said)
		}
	}
	stopped := export("stopped.zip", "--format", "evidence")
	kept := filepath.Join(out, "kept.txt")
	if err := os.WriteFile(kept, inZip(t, stopped, "checkpoint.txt"), 0o600); err != nil {
		t.Fatal(err)
	}
	want := readFile(t, export("plain.csv"))

	c := start(t, "run", "--site", site)
	agentAt(t, dir)
	running := export("running.zip", "--format", "evidence", "--checkpoint", kept)
	mustFail(t, exitWrongUse, []string{"no sealed readings in that window"}, "export", "--site", site, "--format", "evidence",
		"--from", "2020-01-01", "--to", "2020-01-02", "--out", filepath.Join(out, "none.zip"))
	mustFail(t, exitWrongUse, []string{"--checkpoint", "not a valid checkpoint"}, append([]string{"export", "--format", "evidence",
		"--checkpoint", filepath.Join(dir, "site.toml"), "--out", filepath.Join(out, "none.zip")}, window...)...)
	if _, err := os.Stat(filepath.Join(dir, "data", "bundle.part")); err == nil {
		t.Error("bundle.part is left in the data directory")
	}
	c.stop()
	after := export("after.zip", "--format", "evidence", "--checkpoint", kept)
	for _, file := range []string{stopped, running, after} {
		check(file, kept)
		if got := inZip(t, file, "readings.csv"); !bytes.Equal(got, want) {
			t.Errorf("%s: the readings have %d bytes, the ordinary export %d, or they differ", filepath.Base(file), len(got), len(want))
		}
	}
	mustFail(t, exitFailed, []string{"the kept checkpoint does not fit", "older than the kept"}, "verify", stopped, "--checkpoint", checkpointOf(t, after, out))
	mustFail(t, exitWrongUse, []string{"--checkpoint", "not a valid checkpoint", "as it was kept"}, "verify", after, "--checkpoint", after)
}

// checkpointOf writes the checkpoint of a bundle to a file of its own.
func checkpointOf(t *testing.T, bundle, dir string) string {
	t.Helper()
	file := filepath.Join(dir, "newer.txt")
	if err := os.WriteFile(file, inZip(t, bundle, "checkpoint.txt"), 0o600); err != nil {
		t.Fatal(err)
	}
	return file
}

func inZip(t *testing.T, file, name string) []byte {
	t.Helper()
	z, err := zip.OpenReader(file)
	if err != nil {
		t.Fatal(err)
	}
	defer z.Close()
	in, err := z.Open(name)
	if err != nil {
		t.Fatal(err)
	}
	b, err := io.ReadAll(in)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func readFile(t *testing.T, file string) []byte {
	t.Helper()
	b, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	return b
}
