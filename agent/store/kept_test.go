package store

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"
)

// TestEveryFormatIsKept: of each format that a store ever had, this program's included, a
// record lies in testdata for good. TestKeptRecords (cmd/loadscribe) opens each.
func TestEveryFormatIsKept(t *testing.T) {
	for v := range formatVersion {
		dir := filepath.Join("testdata", fmt.Sprintf("format%d", v+1))
		_, whole := os.Stat(filepath.Join(dir, "whole.zip"))
		_, packed := os.Stat(filepath.Join(dir, "store.db.zst"))
		if _, err := os.Stat(filepath.Join(dir, "figures.json")); err != nil || whole != nil && packed != nil {
			t.Errorf("no record of format %d is kept in agent/store/%s: before the format changes again, let the last program of it make one "+
				"(DEVELOPERS.md, A format of the store)", v+1, dir)
		}
	}
	if extra, err := filepath.Glob("testdata/format*"); err != nil || len(extra) != formatVersion {
		t.Errorf("kept are %q, of %d formats: %v", extra, formatVersion, err)
	}
}
