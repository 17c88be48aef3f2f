package main

import (
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// TestFaultTableIsOurWords: what docs/hooking-up.md says that the program says is in
// the program, word for word; … stands for a name or number.
func TestFaultTableIsOurWords(t *testing.T) {
	said := programTexts(t)
	page := readText(t, "docs/hooking-up.md")
	quoted, wrong := unsaid(page, said)
	if quoted < 30 {
		t.Errorf("%d messages are quoted, at least 30 are expected", quoted)
	}
	for _, w := range wrong {
		t.Errorf("docs/hooking-up.md: the program does not say %q", w)
	}
	broken := strings.Replace(page, "the three powers cancel out.", "the three powers vanish.", 1)
	if _, wrong := unsaid(broken, said); broken == page || len(wrong) != 1 {
		t.Errorf("a message that is not ours: %q", wrong)
	}
}

// unsaid are the pieces of the fault table's first column that the program lacks.
func unsaid(page, said string) (quoted int, wrong []string) {
	_, table, _ := strings.Cut(page, "| what it says |")
	for _, row := range regexp.MustCompile("(?m)^\\| `([^`]+)` \\|").FindAllStringSubmatch(table, -1) {
		quoted++
		for piece := range strings.SplitSeq(row[1], "…") {
			if piece = strings.TrimSpace(piece); piece != "" && !strings.Contains(said, piece) {
				wrong = append(wrong, piece)
			}
		}
	}
	return quoted, wrong
}

// programTexts is the program's source with texts that are broken over lines joined.
func programTexts(t *testing.T) string {
	t.Helper()
	var all strings.Builder
	for _, room := range []string{"agent", "cmd/loadscribe"} {
		root := filepath.Join("..", "..", filepath.FromSlash(room))
		err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
			if err != nil || d.IsDir() || !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go") {
				return err
			}
			text, err := os.ReadFile(path)
			all.Write(text)
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	text := regexp.MustCompile("\" \\+\\s*\"").ReplaceAllString(all.String(), "")
	return regexp.MustCompile(`%(\.\d+)?[a-z]`).ReplaceAllString(text, "%")
}
