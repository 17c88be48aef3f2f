package sitefile

import (
	"flag"
	"os"
	"strings"
	"testing"
)

var update = flag.Bool("update", false, "rewrite golden files")

// TestBrokenSite shows what a person reads who made many mistakes at once: all
// of them, in the order of the files, each with its place and its mend.
func TestBrokenSite(t *testing.T) {
	_, err := Load("testdata/broken/site.toml", Options{})
	if err == nil {
		t.Fatal("no error")
	}
	got := strings.ReplaceAll(err.Error(), `\`, "/") + "\n"
	const golden = "testdata/broken/problems.golden"
	if *update {
		if err := os.WriteFile(golden, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if got != strings.ReplaceAll(string(want), "\r\n", "\n") {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
}
