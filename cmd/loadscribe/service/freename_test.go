package service

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"
)

// TestFreeName: what can be deleted is, what cannot keeps its name; a folder that is not
// empty stands for the file of a program that runs.
func TestFreeName(t *testing.T) {
	path := filepath.Join(t.TempDir(), "loadscribe.exe")
	held := func(n int) string { return fmt.Sprintf("%s.old%d", path, n) }
	for n := 1; n <= mostAside; n++ {
		got, err := freeName(path)
		if err != nil || got != held(n) {
			t.Fatalf("%d are held: %q, %v, want %s", n-1, got, err, held(n))
		}
		if err := os.WriteFile(held(mostAside), []byte("left over"), 0o755); err != nil && n < mostAside {
			t.Fatal(err)
		}
		if got, err := freeName(path); err != nil || got != held(n) {
			t.Fatalf("with one left over: %q, %v", got, err)
		}
		if err := os.MkdirAll(filepath.Join(held(n), "in use"), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	if got, err := freeName(path); err == nil {
		t.Errorf("all names are held, and %q is given", got)
	}
}
