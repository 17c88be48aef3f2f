package report

import (
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

// TestStandardsPage: where docs/report-standards.md sends a reader, there is a section
// of that title; and the page claims no conformity and names no clause.
func TestStandardsPage(t *testing.T) {
	page, err := os.ReadFile("../../docs/report-standards.md")
	if err != nil {
		t.Fatal(err)
	}
	titles := sectionTitles(t)
	_, table, ok := strings.Cut(string(page), "| --- |")
	if !ok {
		t.Fatal("no table")
	}
	named := regexp.MustCompile(`\*([A-Z][^*]+)\*`).FindAllStringSubmatch(table, -1)
	if len(named) < 20 {
		t.Errorf("only %d parts of the report are named", len(named))
	}
	for _, m := range named {
		if !titles[m[1]] {
			t.Errorf("no section is called %q", m[1])
		}
	}
	if text := string(page); !strings.Contains(text, "No conformity is claimed") || regexp.MustCompile(`(?i)(clause|annex|section) \d`).MatchString(text) {
		t.Error("the page must claim nothing, and name no clause")
	}
}

// sectionTitles are the titles that the package's own code gives sections.
func sectionTitles(t *testing.T) map[string]bool {
	t.Helper()
	files, err := filepath.Glob("*.go")
	if err != nil {
		t.Fatal(err)
	}
	titles := map[string]bool{}
	for _, name := range files {
		if strings.HasSuffix(name, "_test.go") {
			continue
		}
		file, err := parser.ParseFile(token.NewFileSet(), name, nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		ast.Inspect(file, func(n ast.Node) bool {
			pair, ok := n.(*ast.KeyValueExpr)
			if !ok {
				return true
			}
			key, isName := pair.Key.(*ast.Ident)
			value, isText := pair.Value.(*ast.BasicLit)
			if isName && isText && key.Name == "Title" {
				if title, err := strconv.Unquote(value.Value); err == nil {
					titles[title] = true
				}
			}
			return true
		})
	}
	return titles
}
