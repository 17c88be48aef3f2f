package main

import (
	"encoding/json"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"loadscribe/agent"
	"loadscribe/agent/report"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// more records seconds of a bare site from second begin on, loaded or not.
func more(t *testing.T, path string, from time.Time, begin, seconds int64, loaded int64) {
	t.Helper()
	site, err := sitefile.Load(path, sitefile.Options{})
	if err != nil {
		t.Fatal(err)
	}
	rec, err := agent.OpenRecorder(site, agent.Options{Version: "test", Log: slog.New(slog.NewTextHandler(io.Discard, nil))})
	if err != nil {
		t.Fatal(err)
	}
	for i := begin; i < begin+seconds; i++ {
		s := scan.Scan{Group: rec.Groups()[0], MonoMS: i * 1000, WallMS: from.UnixMilli() + i*1000, Values: []int64{1, loaded}}
		if err := rec.Append([]scan.Scan{s}); err != nil {
			t.Fatal(err)
		}
	}
	if err := rec.Close(); err != nil {
		t.Fatal(err)
	}
}

// TestReportHoldsToTheCheckpoint asks for reports by checkpoints of other records: of
// another log, of one that was cut off, of one that went another way since; and of this
// one.
func TestReportHoldsToTheCheckpoint(t *testing.T) {
	path, from := bare(t, "Log", 200)
	other, _ := bare(t, "Other", 200)
	cut, altered := t.TempDir(), t.TempDir()
	for _, dir := range []string{cut, altered} {
		if err := os.CopyFS(dir, os.DirFS(filepath.Dir(path))); err != nil {
			t.Fatal(err)
		}
	}
	checkpoint := func(site string) string {
		out := filepath.Join(t.TempDir(), "out")
		mustRun(t, "report", "--site", site, "--out", out)
		var doc report.Document
		if err := json.Unmarshal(filesIn(t, out)["report.json"], &doc); err != nil || doc.Made.Checkpoint == "" {
			t.Fatalf("no checkpoint: %v, %+v", err, doc.Made)
		}
		return filepath.Join(out, "report.json")
	}
	early := checkpoint(path)
	more(t, path, from, 200, 100, 1)
	late := checkpoint(path)
	more(t, filepath.Join(altered, "site.toml"), from, 200, 50, 0)
	more(t, filepath.Join(altered, "site.toml"), from, 250, 50, 0)
	ask := []string{"report", "--out", filepath.Join(t.TempDir(), "out"), "--checkpoint"}
	for _, tt := range []struct {
		name, site, checkpoint, says string
	}{
		{"of another log", other, late, "it is of the log loadscribe/"},
		{"of one that was cut off", filepath.Join(cut, "site.toml"), late, "the log was cut off or begun anew"},
		{"of one that went another way", filepath.Join(altered, "site.toml"), late, "does not begin with it"},
	} {
		mustFail(t, exitWrongUse, []string{"--checkpoint: ", tt.says}, append(slices.Clone(ask), tt.checkpoint, "--site", tt.site)...)
	}
	for _, kept := range []string{early, late} {
		if said := mustRun(t, append(slices.Clone(ask), kept, "--site", path, "--force")...); strings.Contains(said, "note: ") != (kept == early) {
			t.Errorf("by %s: %s", kept, said)
		}
	}
}
