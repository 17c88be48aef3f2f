package store

import (
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"hash"
	"math"
	"os"
	"path/filepath"
	"slices"
	"testing"

	bolt "go.etcd.io/bbolt"

	"loadscribe/agent/scan"
)

// The digests of what testdata/format1 holds, taken with the program that wrote
// it (commit 44da779, the last of format 1): its scans, and series of all kinds
// of channels.
const (
	format1Scans  = "f3f48ca73a55d3865fb8a4513f33ac69a9ca5c60a9a8f108eefee30c0e6a04db"
	format1Series = "a563d72aa4209213e00a1d83b8ccbe81a6f84f266080f04aa48c6575921a1c9c"
)

// format1Dir lays the store of format 1 into a directory: two sealed hours in
// four blocks a device, with the extremes of every kind, cells of an hour in
// two parts, an event, and a journal with 40 s that no seal has seen.
func format1Dir(t testing.TB) string {
	t.Helper()
	dir := t.TempDir()
	unpack(t, "testdata/format1/store.db.zst", filepath.Join(dir, databaseName))
	if err := os.CopyFS(filepath.Join(dir, journalDir), os.DirFS("testdata/format1/journal")); err != nil {
		t.Fatal(err)
	}
	return dir
}

// format1Cells is the body of one of its cell values.
func format1Cells(t testing.TB) (body []byte) {
	t.Helper()
	s, err := OpenReadOnly(format1Dir(t), Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	err = s.view(func(tx *bolt.Tx) error {
		return eachDay(tx, bucketCells, -maxWallMS, maxWallMS, false, func(_ int64, b *bolt.Bucket) (bool, error) {
			_, v := b.Cursor().First()
			version, found, err := unwrapVersion(v, typeCells)
			if version != 1 {
				t.Errorf("cells of format 1 have version %d", version)
			}
			body = slices.Clone(found)
			return false, err
		})
	})
	if err != nil || len(body) == 0 {
		t.Fatalf("%d bytes of cells: %v", len(body), err)
	}
	return body
}

func checkFormat1(t *testing.T, s *Store, what string) {
	t.Helper()
	h, n := sha256.New(), 0
	err := s.Scans(ScanQuery{ToMS: startMS + 4*hourMS}, func(sc *scan.Scan) error {
		n++
		h.Write(appendScan(nil, sc))
		return nil
	})
	if got := hexOf(h); err != nil || n != 3377 || got != format1Scans {
		t.Errorf("%s: %d scans with the digest %s, want 3377 with %s: %v", what, n, got, format1Scans, err)
	}
	h.Reset()
	for _, channel := range []string{"controller.pressure", "controller.hours", "controller.flow", "controller.heat",
		"controller.text", "controller.oil", "meter.power"} {
		for _, points := range []int{6, 60, 4000} { // 15 min cells, 1 min cells, raw
			series, err := s.Series(channel, startMS, startMS+90*minuteMS, points)
			if err != nil {
				t.Fatalf("%s: %s: %v", what, channel, err)
			}
			for i := range series.Cells {
				c := &series.Cells[i]
				for _, v := range []int64{c.StartMS, c.FirstMS, c.LastMS, c.Count} {
					h.Write(binary.LittleEndian.AppendUint64(nil, uint64(v)))
				}
				for _, v := range []float64{c.First, c.Last, c.Min, c.Max, c.Sum} {
					h.Write(binary.LittleEndian.AppendUint64(nil, math.Float64bits(v)))
				}
			}
		}
	}
	if got := hexOf(h); got != format1Series {
		t.Errorf("%s: the series have the digest %s, want %s", what, got, format1Series)
	}
	events, err := s.Events(startMS+50*minuteMS, startMS+52*minuteMS, 10)
	if err != nil || len(events) != 1 || events[0].Kind != "note" || events[0].Text != "filter changed" || events[0].Data["by"] != "night shift" {
		t.Errorf("%s: events %+v: %v", what, events, err)
	}
}

func hexOf(h hash.Hash) string { return hex.EncodeToString(h.Sum(nil)) }

// A store of format 1 is read to the last bit, by a command and by the agent,
// which goes on in the same file.
func TestFormat1(t *testing.T) {
	dir := format1Dir(t)
	s, err := OpenReadOnly(dir, Options{})
	if err != nil {
		t.Fatal(err)
	}
	checkFormat1(t, s, "read only")
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	clock := newTestClock()
	clock.wall += 5 * hourMS
	s = openTest(t, dir, Options{Clock: clock})
	checkFormat1(t, s, "opened by the agent")
	groups := register(t, s, testGroups())
	if err := s.Append(stream(groups, 14, startMS+5*hourMS, 200)); err != nil {
		t.Fatal(err)
	}
	if err := s.seal(); err != nil {
		t.Fatal(err)
	}
	checkFormat1(t, s, "after a seal")
	if v := wantSound(t, s); v.Began.Format != 1 || v.Began.Blocks == 0 {
		t.Errorf("the evidence log began with %+v", v.Began)
	}
}
