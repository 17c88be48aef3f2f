package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/alecthomas/kong"
)

// TestReadmeNamesAll: a page, a command or an address that README does not name is
// found by nobody.
func TestReadmeNamesAll(t *testing.T) {
	readme := readText(t, "README.md")
	pages, err := filepath.Glob(filepath.Join("..", "..", "docs", "*.md"))
	if err != nil || len(pages) < 30 {
		t.Fatalf("pages of docs: %d, %v", len(pages), err)
	}
	for _, page := range pages {
		if link := "(docs/" + filepath.Base(page) + ")"; !strings.Contains(readme, link) {
			t.Errorf("README.md has no link %s", link)
		}
	}
	index := readText(t, "docs/README.md")
	for _, page := range pages {
		if link := "(" + filepath.Base(page) + ")"; link != "(README.md)" && !strings.Contains(index, link) {
			t.Errorf("docs/README.md has no link %s: name the page where its reader looks", link)
		}
	}
	parser, err := kong.New(&commands{})
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range parser.Model.Children {
		if !regexp.MustCompile("`loadscribe " + regexp.QuoteMeta(c.Name) + "\\b").MatchString(readme) {
			t.Errorf("README.md does not name the command %q", c.Name)
		}
	}
	_, programs, _ := strings.Cut(readme, "- HTTP API")
	programs, _, _ = strings.Cut(programs, "- Prometheus")
	var document struct {
		Paths map[string]map[string]any `json:"paths"`
	}
	if err := json.Unmarshal([]byte(readText(t, "dashboard/openapi.json")), &document); err != nil {
		t.Fatal(err)
	}
	for path, methods := range document.Paths {
		name, ours := strings.CutPrefix(path, "/api/v1/")
		if _, get := methods["get"]; ours && get && name != "openapi.json" && !strings.Contains(programs, "`"+name+"`") {
			t.Errorf("README.md does not name GET %s", path)
		}
	}
}

// TestLinksOfDocsLead: a link within the tree leads to a file that is there.
func TestLinksOfDocsLead(t *testing.T) {
	pages, err := filepath.Glob(filepath.Join("..", "..", "docs", "*.md"))
	if err != nil {
		t.Fatal(err)
	}
	checked := 0
	for _, page := range append(pages, filepath.Join("..", "..", "README.md"), filepath.Join("..", "..", "DEVELOPERS.md")) {
		text, err := os.ReadFile(page)
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range regexp.MustCompile(`\]\(([^)#\s]+)(#[^)]*)?\)`).FindAllStringSubmatch(string(text), -1) {
			if strings.Contains(m[1], "://") {
				continue
			}
			checked++
			if _, err := os.Stat(filepath.Join(filepath.Dir(page), filepath.FromSlash(m[1]))); err != nil {
				t.Errorf("%s: the link %s leads nowhere", filepath.Base(page), m[1])
			}
		}
	}
	if checked < 100 {
		t.Errorf("%d links, at least 100 are expected", checked)
	}
}

// TestRoomsAreThere holds the list of rooms in DEVELOPERS.md to the tree.
func TestRoomsAreThere(t *testing.T) {
	_, list, _ := strings.Cut(readText(t, "DEVELOPERS.md"), "## The rooms")
	list, after, _ := strings.Cut(list, "\n## ")
	if after == "" {
		t.Fatal("DEVELOPERS.md has no list of rooms")
	}
	rows := map[string]bool{}
	for _, m := range regexp.MustCompile(`(?m)^([a-z][\w/]*)/ `).FindAllStringSubmatch(list, -1) {
		rows[m[1]] = true
		if info, err := os.Stat(filepath.Join("..", "..", filepath.FromSlash(m[1]))); err != nil || !info.IsDir() {
			t.Errorf("DEVELOPERS.md has the room %s, the tree has not", m[1])
		}
	}
	for room := range allowed {
		parent, last := filepath.ToSlash(filepath.Dir(room)), filepath.Base(room)
		if !rows[room] && !(rows[parent] && strings.Contains(list, " "+last+"/ ")) {
			t.Errorf("DEVELOPERS.md does not list the room %s", room)
		}
	}
}

// readText reads a file of the tree.
func readText(t *testing.T, path string) string {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("..", "..", filepath.FromSlash(path)))
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}
