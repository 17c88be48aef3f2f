package store

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"github.com/klauspost/compress/zstd"
	bolt "go.etcd.io/bbolt"

	"loadscribe/agent/scan"
)

// The digest of the scans that testdata/format2 holds, taken with the program
// that wrote it (commit c74a0b6, the last of format 2).
const (
	format2Scans = "ed377f6dabc55a13d80066d943d90a591a646f8b76201efa7f87b9edba6bdb47"
	format2Count = 2563
)

// format2Dir lays the store of format 2 into a directory: a day whose blocks
// were dropped, one in two seals, a text, a changed scale, six events and a
// journal with 40 s that no seal has seen.
func format2Dir(t testing.TB) string {
	t.Helper()
	dir := t.TempDir()
	unpack(t, "testdata/format2/store.db.zst", filepath.Join(dir, databaseName))
	if err := os.CopyFS(filepath.Join(dir, journalDir), os.DirFS("testdata/format2/journal")); err != nil {
		t.Fatal(err)
	}
	return dir
}

func unpack(t testing.TB, from, to string) {
	t.Helper()
	packed, err := os.ReadFile(from)
	if err != nil {
		t.Fatal(err)
	}
	dec, err := zstd.NewReader(nil, zstd.WithDecoderConcurrency(1))
	if err != nil {
		t.Fatal(err)
	}
	defer dec.Close()
	database, err := dec.DecodeAll(packed, nil)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(to, database, 0o644); err != nil {
		t.Fatal(err)
	}
}

func checkFormat2(t *testing.T, s *Store, what string) {
	t.Helper()
	h, n := sha256.New(), 0
	err := s.Scans(ScanQuery{ToMS: startMS + dayMS + 2*hourMS}, func(sc *scan.Scan) error {
		n++
		h.Write(appendScan(nil, sc))
		return nil
	})
	if got := hexOf(h); err != nil || n != format2Count || got != format2Scans {
		t.Errorf("%s: %d scans with the digest %s, want %d with %s: %v", what, n, got, format2Count, format2Scans, err)
	}
	events, err := s.Events(0, startMS+3*hourMS, 0)
	if err != nil || len(events) < 6 || events[len(events)-1].Text != "filter changed" {
		t.Errorf("%s: events %+v: %v", what, events, err)
	}
	text := "[site]\nname = \"Joinery\"\n"
	if got, err := s.Text(fmt.Sprintf("%x", sha256.Sum256([]byte(text)))); err != nil || string(got) != text {
		t.Errorf("%s: text %q: %v", what, got, err)
	}
}

func formatOf(t *testing.T, s *Store) (version uint64) {
	t.Helper()
	if err := s.view(func(tx *bolt.Tx) error { version = metaUint(tx, metaVersion); return nil }); err != nil {
		t.Fatal(err)
	}
	return version
}

// A store of format 2 is read to the last bit. Opened by the agent it becomes
// format 3 with the first seal, and its log begins with all that is there.
func TestFormat2(t *testing.T) {
	dir := format2Dir(t)
	s, err := OpenReadOnly(dir, Options{})
	if err != nil {
		t.Fatal(err)
	}
	checkFormat2(t, s, "read only")
	if _, err := s.Evidence(); !errors.Is(err, ErrNoEvidence) {
		t.Errorf("a checkpoint before the log began: %v", err)
	}
	if _, err := s.VerifyEvidence(context.Background(), VerifyOptions{}); !errors.Is(err, ErrNoEvidence) {
		t.Errorf("verified before the log began: %v", err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	clock := newTestClock()
	clock.wall += 3 * dayMS
	s = openTest(t, dir, Options{Clock: clock})
	checkFormat2(t, s, "opened by the agent")
	if v := formatOf(t, s); v != 2 {
		t.Errorf("format %d before the first seal, want 2", v)
	}
	if err := s.Seal(); err != nil {
		t.Fatal(err)
	}
	if v := formatOf(t, s); v != 3 {
		t.Errorf("format %d after the first seal, want 3", v)
	}
	checkFormat2(t, s, "after a seal")
	v := wantSound(t, s)
	// two devices an hour, two hours of the day that was dropped, two seals of the
	// other
	if v.Began.Format != 2 || v.Began.Blocks != 8 || v.Began.Events != 6 || v.Dropped != 4 || v.Began.Old != "" {
		t.Errorf("began with %+v, %d dropped; want 8 blocks, of which 4 are dropped, and 6 events of format 2", v.Began, v.Dropped)
	}
	if v.Seals != 2 || v.Blocks != 6 || v.Events != 7 || v.Unsealed != 0 {
		t.Errorf("verified %d seals, %d blocks, %d events, %d not sealed; want 2, 6, 7, 0", v.Seals, v.Blocks, v.Events, v.Unsealed)
	}
	if n := countKind(t, s, KindEvidenceBegan); n != 1 {
		t.Errorf("%d events that the log began, want 1", n)
	}
}

func countKind(t *testing.T, s *Store, kind string) int {
	t.Helper()
	events, err := s.EventsWhere(0, 0, 0, func(e *Event) bool { return e.Kind == kind })
	if err != nil {
		t.Fatal(err)
	}
	return len(events)
}

// wantSound verifies a store that nobody has touched.
func wantSound(t testing.TB, s *Store, kept ...[]byte) Verdict {
	t.Helper()
	var o VerifyOptions
	if len(kept) > 0 {
		o.Kept = kept[0]
	}
	v, err := s.VerifyEvidence(context.Background(), o)
	if err != nil {
		t.Fatalf("VerifyEvidence: %v", err)
	}
	for _, b := range v.Breaks {
		t.Errorf("break: %+v", b)
	}
	if v.BreakCount != int64(len(v.Breaks)) {
		t.Errorf("%d breaks", v.BreakCount)
	}
	return v
}
