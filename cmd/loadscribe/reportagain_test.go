package main

import (
	"bytes"
	"context"
	"encoding/json"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"loadscribe/agent"
	"loadscribe/agent/report"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/cmd/loadscribe/stage"
	"loadscribe/simulator"
)

// storyClock shows the time of the scans that are recorded, so that checkpoints and
// notes are made when the story says.
type storyClock struct{ base, wall atomic.Int64 }

// Now implements scan.Clock.
func (c *storyClock) Now() (monoMS, wallMS int64) {
	return c.wall.Load() - c.base.Load(), c.wall.Load()
}

// inTwo records a stage in two runs of an agent that end and begin at a time, with what
// between does after the first, and notes at the end.
func inTwo(t *testing.T, s *stage.Stage, cut time.Time, between func(), notes ...agent.Note) {
	t.Helper()
	clock := &storyClock{}
	clock.base.Store(s.From.UnixMilli())
	clock.wall.Store(s.From.UnixMilli())
	open := func() *agent.Recorder {
		rec, err := agent.OpenRecorder(s.Site, agent.Options{Version: "test", Log: slog.New(slog.DiscardHandler), Clock: clock})
		if err != nil {
			t.Fatal(err)
		}
		return rec
	}
	rec, second := open(), false
	groups := sitefile.Groups(s.Site)
	take := func(batch []scan.Scan) error {
		for i := range batch {
			batch[i].Group = rec.Groups()[slices.IndexFunc(groups, func(g *scan.Group) bool { return g == batch[i].Group })]
			clock.wall.Store(max(clock.wall.Load(), batch[i].WallMS))
		}
		return rec.Append(batch)
	}
	err := s.Play(t.Context(), groups, func(batch []scan.Scan) error {
		n := slices.IndexFunc(batch, func(sc scan.Scan) bool { return sc.WallMS >= cut.UnixMilli() })
		if n < 0 || second {
			return take(batch)
		}
		if err := take(slices.Clone(batch[:n])); err != nil {
			return err
		}
		if err := rec.Close(); err != nil {
			return err
		}
		between()
		rec, second = open(), true
		return take(batch[n:])
	})
	if err != nil {
		t.Fatal(err)
	}
	for _, n := range notes {
		if _, err := rec.Note(n); err != nil {
			t.Fatal(err)
		}
	}
	if err := rec.Close(); err != nil {
		t.Fatal(err)
	}
}

// filesIn reads the files of a report.
func filesIn(t *testing.T, dir string) map[string][]byte {
	t.Helper()
	all := map[string][]byte{}
	for _, name := range agent.ReportFileNames() {
		text, err := os.ReadFile(filepath.Join(dir, name))
		if err != nil {
			t.Fatal(err)
		}
		all[name] = text
	}
	return all
}

func mustBeSame(t *testing.T, when string, got, want map[string][]byte) {
	t.Helper()
	for name := range want {
		if at := firstUnlike(got[name], want[name]); at >= 0 {
			around := func(b []byte) string { return string(b[max(0, min(at-150, len(b))):min(at+80, len(b))]) }
			t.Errorf("%s: %s differs at byte %d: %q, was %q", when, name, at, around(got[name]), around(want[name]))
		}
	}
}

// firstUnlike is the first byte at which two texts differ, -1: none.
func firstUnlike(a, b []byte) int {
	if bytes.Equal(a, b) {
		return -1
	}
	for i := range min(len(a), len(b)) {
		if a[i] != b[i] {
			return i
		}
	}
	return min(len(a), len(b))
}

// TestReportIsMadeAgain makes a report amid a quarter hour and a shift, up to "now";
// records, notes and services on; and makes it again by the command that it prints, from
// the stopped record and from a running agent: the same to the last byte.
func TestReportIsMadeAgain(t *testing.T) {
	if testing.Short() {
		t.Skip("records and reports for seconds, without concurrency of its own")
	}
	dir := t.TempDir()
	sc, err := simulator.LoadScenario("joinery")
	if err != nil {
		t.Fatal(err)
	}
	s, err := stage.Open(dir, stage.Options{Scenario: "joinery", Start: simulator.BenchStart(sc.Location).Add(8 * time.Hour), WarmUp: time.Hour, Length: 210 * time.Minute})
	if err != nil {
		t.Fatal(err)
	}
	cut := s.From.Add(2*time.Hour + 37*time.Minute + 23*time.Second)
	at := cut.UTC().Format(time.RFC3339)
	out := func(name string) string { return filepath.Join(dir, name) }
	base := []string{"report", "--site", s.SitePath, "--from", s.From.UTC().Format(time.RFC3339), "--to", "now", "--made-at", at, "--before", "-2h/-1h"}
	inTwo(t, s, cut, func() {
		said := mustRun(t, append(slices.Clone(base), "--out", out("first"))...)
		if !strings.Contains(said, "Compressed air at "+s.Site.Name) || !strings.Contains(said, "report.json, ") {
			t.Errorf("said:\n%s", said)
		}
	}, agent.Note{Text: "changed the oil", Subject: "comp1", Service: s.Site.Machines[0].Service[0].Item, Time: s.From.UTC().Format(time.RFC3339)}, agent.Note{Text: "a note"})
	first := filesIn(t, out("first"))
	var doc report.Document
	if err := json.Unmarshal(first["report.json"], &doc); err != nil {
		t.Fatal(err)
	}
	if doc.Made.Checkpoint == "" || doc.Made.Uncovered != "" || doc.Made.At != strings.Replace(at, "Z", ".000Z", 1) {
		t.Fatalf("made: %+v", doc.Made)
	}
	again(t, s, out("first"), out("again"))
	mustBeSame(t, "after more was recorded", filesIn(t, out("again")), first)
	checkpoint := out("checkpoint.txt")
	if err := os.WriteFile(checkpoint, []byte(doc.Made.Checkpoint), 0o644); err != nil {
		t.Fatal(err)
	}
	mustRun(t, append(slices.Clone(base), "--out", out("text"), "--checkpoint", checkpoint)...)
	mustBeSame(t, "by the checkpoint's text", filesIn(t, out("text")), first)
	wrongAgain(t, s, doc.Made.Checkpoint, base)

	u := start(t, "run", "--site", s.SitePath, "--listen", "127.0.0.1:0")
	agentAt(t, dir)
	mustRun(t, append(slices.Clone(base), "--out", out("live"), "--checkpoint", checkpoint)...)
	mustBeSame(t, "from a running agent", filesIn(t, out("live")), first)
	mustRun(t, "report", "--site", s.SitePath, "--from", s.From.UTC().Format(time.RFC3339), "--to", s.To.UTC().Format(time.RFC3339), "--out", out("present"))
	again(t, s, out("present"), out("later"))
	mustBeSame(t, "while an agent records", filesIn(t, out("later")), filesIn(t, out("present")))
	mustFail(t, exitWrongUse, []string{"--from: ", "is not a time"}, "report", "--site", s.SitePath, "--out", out("none"), "--from", "soon")
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if code := execute(ctx, []string{"report", "--site", s.SitePath, "--out", out("none")}, &bytes.Buffer{}, &bytes.Buffer{}); code == exitFine {
		t.Error("a report that was broken off ended well")
	}
	if _, err := os.Stat(out("none")); err == nil {
		t.Error("a report that was refused or broken off left a folder")
	}
	if code := u.stop(); code != exitFine {
		t.Fatalf("ended with %d; stderr:\n%s", code, u.stderr)
	}
}

// again makes a report by the command that an earlier one names.
func again(t *testing.T, s *stage.Stage, earlier, dir string) {
	t.Helper()
	var doc report.Document
	if err := json.Unmarshal(filesIn(t, earlier)["report.json"], &doc); err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(doc.Made.Command, " --checkpoint report.json ") {
		t.Fatalf("the command names no checkpoint: %s", doc.Made.Command)
	}
	args := strings.Fields(doc.Made.Command)[1:]
	for i, word := range args {
		switch word {
		case "site.toml":
			args[i] = s.SitePath
		case "report.json":
			args[i] = filepath.Join(earlier, "report.json")
		case "again":
			args[i] = dir
		}
	}
	mustRun(t, args...)
}

// wrongAgain asks for what cannot be made again.
func wrongAgain(t *testing.T, s *stage.Stage, checkpoint string, base []string) {
	t.Helper()
	dir := t.TempDir()
	file := func(name, text string) string {
		t.Helper()
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
		return path
	}
	lines := strings.Split(checkpoint, "\n")
	lines[1] = "1"
	out := filepath.Join(dir, "out")
	site := []string{"report", "--site", s.SitePath, "--out", out}
	for _, tt := range []struct {
		says []string
		args []string
	}{
		{[]string{"--checkpoint: ", "give the file as it was kept"}, []string{"--checkpoint", file("edited.txt", strings.Join(lines, "\n"))}},
		{[]string{"--checkpoint: ", "after the time of the report"}, []string{"--checkpoint", file("kept.txt", checkpoint), "--made-at", s.From.Add(time.Hour).UTC().Format(time.RFC3339)}},
		{[]string{"--made-at: ", "lies in the future"}, []string{"--made-at", "2190-01-01"}},
		{[]string{"--from: ", "nothing had been recorded so late"}, []string{"--from", s.To.AddDate(0, 0, 1).UTC().Format(time.RFC3339), "--to", s.To.AddDate(0, 0, 2).UTC().Format(time.RFC3339)}},
		{[]string{"--before: ", "is no period"}, []string{"--before", "-28d"}},
		{[]string{"--out ", "lies in the data directory"}, []string{"--out", s.Site.Agent.DataDir}},
	} {
		mustFail(t, exitWrongUse, tt.says, append(slices.Clone(site), tt.args...)...)
	}
	if err := os.MkdirAll(out, 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(out, "report.pdf"), []byte("mine"), 0o644); err != nil {
		t.Fatal(err)
	}
	mustFail(t, exitWrongUse, []string{"report.pdf is there already", "--force"}, append(slices.Clone(base), "--out", out)...)
	if text, err := os.ReadFile(filepath.Join(out, "report.pdf")); err != nil || string(text) != "mine" {
		t.Errorf("%v: %q", err, text)
	}
}

// A report's folder may be anywhere but where it costs something: in the data directory,
// by whatever links; in place of a file; through a link that was left.
func TestReportFolder(t *testing.T) {
	path, _ := bare(t, "Folder", 1)
	dir := t.TempDir()
	at := func(name string) string { return filepath.Join(dir, name) }
	file := at("file")
	if err := os.WriteFile(file, []byte("mine"), 0o644); err != nil {
		t.Fatal(err)
	}
	data := filepath.Join(filepath.Dir(path), "data")
	for link, to := range map[string]string{"journal": filepath.Join(data, "journal"), "nowhere": at("gone"), "report.html.part": file} {
		if err := os.Symlink(to, at(link)); err != nil {
			t.Skipf("no links here: %v", err)
		}
	}
	for _, tt := range []struct {
		out  string
		says []string
	}{
		{filepath.Join(data, "new", "folder"), []string{"lies in the data directory"}},
		{at("journal/new/folder"), []string{"lies in the data directory"}},
		{file, []string{"--out ", "is no folder"}},
		{filepath.Join(file, "in"), []string{"--out ", "is no folder"}},
		{at("nowhere"), []string{"--out ", "is no folder"}},
		{"", []string{"--out is empty"}},
	} {
		mustFail(t, exitWrongUse, tt.says, "report", "--site", path, "--out="+tt.out)
	}
	if all, err := os.ReadDir(filepath.Join(data, "journal")); err != nil || slices.ContainsFunc(all, func(e os.DirEntry) bool { return e.Name() == "new" }) {
		t.Errorf("the journal's folder holds %v, %v", all, err)
	}
	mustRun(t, "report", "--site", path, "--out", dir)
	if text, err := os.ReadFile(file); err != nil || string(text) != "mine" {
		t.Errorf("%v: a file that a link led to holds %.40q", err, text)
	}
	if at, err := os.Lstat(at("report.html")); err != nil || !at.Mode().IsRegular() {
		t.Errorf("report.html: %v, %v", at, err)
	}
}
