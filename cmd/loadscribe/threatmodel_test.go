package main

import (
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// TestThreatModel: each line of the threat model is whole and names tests that are in
// the tree.
func TestThreatModel(t *testing.T) {
	root := filepath.Join("..", "..")
	text, err := os.ReadFile(filepath.Join(root, "docs", "threat-model.md"))
	if err != nil {
		t.Fatal(err)
	}
	there := testsOf(t, root)
	lines := 0
	for _, line := range strings.Split(string(text), "\n") {
		if !strings.HasPrefix(line, "|") || strings.HasPrefix(line, "| ---") || strings.HasPrefix(line, "| who |") {
			continue
		}
		lines++
		cells := strings.Split(strings.Trim(line, "|"), " | ")
		if len(cells) != 5 {
			t.Errorf("%d cells, want 5: %.80s", len(cells), line)
			continue
		}
		for i, cell := range cells[:3] {
			if strings.TrimSpace(cell) == "" {
				t.Errorf("cell %d is empty: %.80s", i, line)
			}
		}
		names := regexp.MustCompile("`[^`]+`").FindAllString(cells[4], -1)
		if len(names) == 0 {
			t.Errorf("no test is named: %.80s", line)
		}
		for _, name := range names {
			if name = strings.Trim(name, "`"); !there[name] {
				t.Errorf("%q is no test of the tree: %.80s", name, line)
			}
		}
	}
	if lines < 12 {
		t.Errorf("%d lines, at least 12 are expected", lines)
	}
}

// testsOf are the tests and fuzz targets of the tree, and the scripts of .ci.
func testsOf(t *testing.T, root string) map[string]bool {
	t.Helper()
	named := regexp.MustCompile(`(?m)^func ((?:Test|Fuzz)\w+)\(\w+ \*testing\.[TF]\)`)
	there := map[string]bool{}
	for _, of := range []string{"agent", "cmd", "dashboard", "simulator", "configs", ".ci"} {
		err := filepath.WalkDir(filepath.Join(root, of), func(path string, d fs.DirEntry, err error) error {
			switch {
			case err != nil:
				return err
			case d.IsDir() && (d.Name() == "node_modules" || d.Name() == "testdata"):
				return fs.SkipDir
			case of == ".ci" && !d.IsDir():
				there[".ci/"+d.Name()] = true
			case strings.HasSuffix(path, "_test.go"):
				source, err := os.ReadFile(path)
				if err != nil {
					return err
				}
				for _, m := range named.FindAllSubmatch(source, -1) {
					there[string(m[1])] = true
				}
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	return there
}
