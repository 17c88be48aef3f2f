package configs

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"loadscribe/testdata/peers"
)

// broken is a way to break rules, and the file of prometheus/tests that is to tell it.
type broken struct{ name, test, old, replacement string }

// breakRules breaks the rules among files in each way, and wants their tests to fail.
func breakRules(t *testing.T, files []string, ways []broken) {
	t.Helper()
	if testing.Short() {
		t.Skip("starts promtool alone")
	}
	tool := peers.Path(t, "promtool")
	for _, way := range ways {
		t.Run(way.name, func(t *testing.T) {
			t.Parallel()
			dir := t.TempDir()
			layBroken(t, dir, files, way)
			out, err := exec.Command(tool, "test", "rules", filepath.Join(dir, "tests", way.test)).CombinedOutput()
			if err == nil || !strings.Contains(string(out), "FAILED") {
				t.Errorf("broken rules pass: %v\n%s", err, out)
			}
		})
	}
}

// layBroken lays files of the folder prometheus into dir, the rules among them broken,
// their tests as they are.
func layBroken(t *testing.T, dir string, files []string, way broken) {
	t.Helper()
	if err := os.Mkdir(filepath.Join(dir, "tests"), 0o755); err != nil {
		t.Fatal(err)
	}
	found := false
	for _, file := range files {
		name, err := filepath.Rel("prometheus", file)
		if err != nil {
			t.Fatal(err)
		}
		raw, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		text := string(raw)
		if filepath.Dir(name) != "tests" {
			found = found || strings.Contains(text, way.old)
			text = strings.ReplaceAll(text, way.old, way.replacement)
		}
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	if !found {
		t.Fatalf("no rule has %q: nothing was broken", way.old)
	}
}
