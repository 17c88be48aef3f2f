package agent

import (
	"slices"
	"strings"
	"testing"

	"loadscribe/agent/scan"
)

// Scans that came without telling anything are not a time in which nothing was recorded.
func TestFiguresOfScansThatToldNothing(t *testing.T) {
	rec, err := OpenRecorder(loadTestSite(t, t.TempDir(), historySite, historyMap), Options{Clock: &manualClock{wall: testStartMS}})
	if err != nil {
		t.Fatal(err)
	}
	defer rec.Close()
	var batch []scan.Scan
	for s := range int64(120) {
		batch = append(batch, scan.Scan{Group: rec.Groups()[0], MonoMS: s * 1000, WallMS: testStartMS + s*1000, Reason: scan.PortGone})
	}
	if err := rec.Append(batch); err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct {
		fromMS, toMS int64
		want         string
	}{
		{testStartMS, testStartMS + 60_000, nothingTold},
		{testStartMS - 60_000, testStartMS - 1000, "nothing was recorded here; the record runs from"},
	} {
		r, err := rec.history.Figures(tt.fromMS, tt.toMS, "")
		if err != nil {
			t.Fatal(err)
		}
		if !slices.ContainsFunc(r.Notes, func(n string) bool { return strings.HasPrefix(n, tt.want) }) {
			t.Errorf("notes %q, want %q", r.Notes, tt.want)
		}
	}
}
