package vectors

import (
	"encoding/csv"
	"os"
	"path/filepath"
	"testing"
)

// Read returns a table's rows, each a map from column to cell. A table without rows
// fails the test: it would check nothing.
func Read(t testing.TB, name string) []map[string]string {
	t.Helper()
	f, err := os.Open(filepath.Join(top(t), "testdata", "vectors", name))
	if err != nil {
		t.Fatalf("published values: %v", err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	if len(rows) < 2 {
		t.Fatalf("%s has no rows", name)
	}
	var all []map[string]string
	for _, row := range rows[1:] {
		m := map[string]string{}
		for i, column := range rows[0] {
			m[column] = row[i]
		}
		all = append(all, m)
	}
	return all
}

// top is the folder of go.mod; a test runs in its package's folder.
func top(t testing.TB) string {
	t.Helper()
	dir, err := os.Getwd()
	if err != nil {
		t.Fatal(err)
	}
	for {
		if _, err := os.Stat(filepath.Join(dir, "go.mod")); err == nil {
			return dir
		}
		if filepath.Dir(dir) == dir {
			t.Fatal("no go.mod above the test's folder")
		}
		dir = filepath.Dir(dir)
	}
}
