package store

import (
	"bytes"
	"errors"
	"log/slog"
	"maps"
	"strings"
	"testing"

	"loadscribe/agent/scan"
)

// A seal whose very last sync fails is in the file and may not be on the disk:
// the journal stays, nothing is sealed twice, and the next seal settles it.
func TestSealWhoseLastSyncFails(t *testing.T) {
	dir := t.TempDir()
	fs := &recordingFS{}
	failing := false
	s := openTest(t, dir, Options{FS: fs, SyncEvery: never, CommitFault: func(last bool) error {
		if last && failing {
			return errInjected
		}
		return nil
	}})
	g := register(t, s, testGroups())
	all := appendAll(t, s, stream(g, 1, startMS, 300))
	if err := s.Sync(); err != nil {
		t.Fatal(err)
	}
	failing = true
	fs.taken()
	seal := func() error {
		s.writeMu.Lock()
		defer s.writeMu.Unlock()
		return s.seal()
	}
	if err := seal(); !errors.Is(err, errUnsettled) || s.Stats().SealError == "" {
		t.Fatalf("seal: %v, stats %q; want it unsettled", err, s.Stats().SealError)
	}
	wantScans(t, readAll(t, s, ScanQuery{}), all) // once each, though the journal holds them too
	all = append(all, appendAll(t, s, stream(g, 2, startMS+300_000, 60))...)
	if err := seal(); !errors.Is(err, errUnsettled) {
		t.Fatalf("a seal before the last one is settled: %v", err)
	}
	if err := s.Sync(); err != nil {
		t.Fatal(err)
	}
	for _, done := range fs.taken() {
		if strings.HasPrefix(done, "remove") {
			t.Errorf("%s before the seal was settled", done)
		}
	}
	failing = false
	if err := seal(); err != nil || s.Stats().SealError != "" {
		t.Fatalf("seal of a disk that works again: %v, stats %q", err, s.Stats().SealError)
	}
	wantScans(t, readAll(t, s, ScanQuery{}), all)
	if n := countCells(t, s); n != 360 {
		t.Errorf("the pyramid counts %d readings, want 360", n)
	}
	if err := s.Sync(); err != nil {
		t.Fatal(err)
	}
	if done := strings.Join(fs.taken(), ","); !strings.Contains(done, "remove") {
		t.Errorf("the sealed journal is kept: %s", done)
	}
}

// countCells is the number of readings of the first channel in the pyramid's
// minutes.
func countCells(t *testing.T, s *Store) (n int64) {
	t.Helper()
	series, err := s.Series("controller.pressure", startMS, startMS+600_000, 10)
	if err != nil || series.StepMS != minuteMS {
		t.Fatalf("series of %d ms cells: %v", series.StepMS, err)
	}
	for _, c := range series.Cells {
		n += int64(c.Count)
	}
	return n
}

// What was counted of failed and dropped scans is the same after a seal, a
// kill and a stop.
func TestFailuresAreCountedSinceTheStoreBegan(t *testing.T) {
	dir := t.TempDir()
	s, err := Open(dir, Options{SyncEvery: never, Clock: newTestClock()})
	if err != nil {
		t.Fatal(err)
	}
	g := register(t, s, testGroups())[2]
	device := g.Device
	wall := int64(startMS)
	add := func(reason scan.Reason, n int) {
		for range n {
			wall += 1000
			if err := s.Append([]scan.Scan{{Group: g, MonoMS: wall - startMS + 1000, WallMS: wall, Reason: reason}}); err != nil {
				t.Fatal(err)
			}
		}
	}
	note := func(n string) {
		if _, err := s.AppendEvent(Event{Kind: KindDropped, Subject: device, Data: map[string]string{"scans": n}}); err != nil {
			t.Fatal(err)
		}
	}
	want := map[scan.Reason]uint64{}
	check := func(when string) {
		t.Helper()
		if got := s.Failures()[device]; !maps.Equal(got, want) {
			t.Errorf("%s: counted %v, want %v", when, got, want)
		}
	}
	add(scan.Timeout, 3)
	add(scan.Dropped, 2) // marks, which the event counts
	note("41")
	want[scan.Timeout], want[scan.Dropped] = 3, 41
	check("in memory")
	if err := s.seal(); err != nil {
		t.Fatal(err)
	}
	add(scan.BadChecksum, 1)
	note("9")
	want[scan.BadChecksum], want[scan.Dropped] = 1, 50
	if err := s.Sync(); err != nil {
		t.Fatal(err)
	}
	abandonStore(t, s)
	if s, err = Open(dir, Options{SyncEvery: never, Clock: newTestClock()}); err != nil {
		t.Fatal(err)
	}
	check("after a kill")
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	s = openTest(t, dir, Options{})
	check("after a stop")
}

func TestTroubleIsToldFirstThenOnceAMinuteThenOver(t *testing.T) {
	var out bytes.Buffer
	log := slog.New(slog.NewTextHandler(&out, &slog.HandlerOptions{ReplaceAttr: func(_ []string, a slog.Attr) slog.Attr {
		if a.Key == slog.TimeKey {
			return slog.Attr{}
		}
		return a
	}}))
	var tr Trouble
	tr.Over(log, 0, "works again")
	for s := int64(100); s <= 230; s++ { // 131 failures
		tr.Failed(log, s*1000, "does not work", "error", "full")
	}
	tr.Over(log, 231_000, "works again")
	tr.Over(log, 232_000, "works again")
	want := `level=ERROR msg="does not work" error=full
level=ERROR msg="does not work" error=full failures=61 since=1m0s
level=ERROR msg="does not work" error=full failures=121 since=2m0s
level=INFO msg="works again" failures=131 after=2m11s
`
	if out.String() != want {
		t.Errorf("logged\n%swant\n%s", out.String(), want)
	}
}
