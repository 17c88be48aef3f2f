package oplog

import (
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
)

// fill writes lines with their numbers.
func fill(t *testing.T, f *rotating, from, to int) {
	t.Helper()
	for i := from; i < to; i++ {
		if err := f.write(line{text: fmt.Appendf(nil, "line %d of many\n", i)}); err != nil {
			t.Fatal(err)
		}
	}
	if err := f.close(); err != nil {
		t.Fatal(err)
	}
}

// TestFileRotates writes far more than the files may hold: they stay below their bound, no
// line is torn, the newest are there over a restart, and nobody else may read them.
func TestFileRotates(t *testing.T) {
	const most, keep, lines = 2000, 3, 1000
	path := filepath.Join(t.TempDir(), "log", "loadscribe.log")
	fill(t, newRotating(path, most, keep), 0, lines/2)
	fill(t, newRotating(path, most, keep), lines/2, lines)
	all := ""
	for _, name := range []string{path + ".2", path + ".1", path} {
		text, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		if len(text) > most {
			t.Errorf("%s has %d bytes, the bound is %d", name, len(text), most)
		}
		if info, err := os.Stat(name); runtime.GOOS != "windows" && (err != nil || info.Mode().Perm() != 0o600) {
			t.Errorf("%s: mode %v, %v", name, info.Mode(), err)
		}
		all += string(text)
	}
	if entries, err := os.ReadDir(filepath.Dir(path)); err != nil || len(entries) != keep {
		t.Errorf("%d files, want %d (%v)", len(entries), keep, err)
	}
	got := strings.Split(strings.TrimSuffix(all, "\n"), "\n")
	for i, l := range got {
		if want := fmt.Sprintf("line %d of many", lines-len(got)+i); l != want {
			t.Fatalf("line %d of what is left is %q, want %q", i, l, want)
		}
	}
}

// TestFileThatCannotBeRenamed: something is in the way of the older file. The log goes on
// and stays bounded.
func TestFileThatCannotBeRenamed(t *testing.T) {
	const most = 1000
	path := filepath.Join(t.TempDir(), "l.log")
	if err := os.MkdirAll(filepath.Join(path+".1", "inside"), 0o700); err != nil {
		t.Fatal(err)
	}
	fill(t, newRotating(path, most, 2), 0, 500)
	text, err := os.ReadFile(path)
	if err != nil || len(text) > 2*most+20 || !strings.HasSuffix(string(text), "line 499 of many\n") {
		t.Errorf("%d bytes, ends with %.20q (%v)", len(text), text[max(len(text)-20, 0):], err)
	}
}
