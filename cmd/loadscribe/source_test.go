package main

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"path/filepath"
	"strings"
	"testing"
)

// TestSourceKeepsTheRules reads the program's own source, of every system, for
// what the linters of `make lint` do not see:
//   - os/exec: a daemon that starts programs can be made to start others. The
//     bench builds and runs the program it measures, release builds what is passed
//     on, and the commands that install a service, which no daemon reaches, run systemd's;
//   - time.Sleep: a wait that nothing can end holds up a stop;
//   - errors told by ==, a type or their text, which a wrapped one escapes.
//
// A line that must breaks the last rule says so by nolint:errorlint and why.
func TestSourceKeepsTheRules(t *testing.T) {
	files := 0
	for _, room := range []string{"agent", "cmd", "configs", "dashboard", "simulator"} {
		err := filepath.WalkDir(filepath.Join("../..", room), func(path string, entry fs.DirEntry, err error) error {
			switch {
			case err != nil:
				return err
			case entry.IsDir() && entry.Name() == "node_modules":
				return filepath.SkipDir
			case !entry.IsDir() && strings.HasSuffix(path, ".go") && !strings.HasSuffix(path, "_test.go"):
				files++
				for _, broken := range brokenRules(t, path, nil) {
					t.Error(broken)
				}
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	if files < 200 {
		t.Errorf("%d source files read: the folders are not where they were", files)
	}
}

// TestSourceRules shows each rule broken once, and what keeps it.
func TestSourceRules(t *testing.T) {
	for source, want := range map[string]string{
		`import "os/exec"; var _ = exec.Command`:                                                     "os/exec",
		`import "time"; func f() { time.Sleep(1) }`:                                                  "time.Sleep",
		`import "io"; func f(err error) bool { return err == io.EOF }`:                               "errors.Is",
		`func f(err error) bool { return ErrFew != err }; var ErrFew error`:                          "errors.Is",
		`func f(err error) { _, _ = err.(interface{ X() }) }`:                                        "errors.As",
		`func f(err error) { switch err.(type) { } }`:                                                "errors.As",
		`import "strings"; func f(err error) bool { return strings.Contains(err.Error(), "x") }`:     "text",
		`func f(err error) bool { return err != nil }`:                                               "",
		"func f(err error) {\n _, _ = err.(interface{ X() }) //nolint:errorlint // never wrapped\n}": "",
	} {
		got := strings.Join(brokenRules(t, "a.go", "package a; "+source), "\n")
		if want == "" && got != "" || !strings.Contains(got, want) {
			t.Errorf("%s\ngot %q, want %q", source, got, want)
		}
	}
}

// brokenRules are the places of a file that break a rule; src is its text where it
// is not to be read.
func brokenRules(t *testing.T, path string, src any) (broken []string) {
	t.Helper()
	set := token.NewFileSet()
	file, err := parser.ParseFile(set, path, src, parser.ParseComments)
	if err != nil {
		t.Fatal(err)
	}
	allowed := map[int]bool{}
	for _, group := range file.Comments {
		for _, c := range group.List {
			if strings.Contains(c.Text, "nolint:errorlint //") {
				allowed[set.Position(c.Pos()).Line] = true
			}
		}
	}
	say := func(at token.Pos, what string) {
		if p := set.Position(at); !allowed[p.Line] {
			broken = append(broken, p.String()+": "+what)
		}
	}
	for _, imported := range file.Imports {
		if imported.Path.Value == `"os/exec"` && !mayExec(filepath.ToSlash(path)) {
			say(imported.Pos(), "imports os/exec")
		}
	}
	ast.Inspect(file, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.CallExpr:
			switch name := dotted(n.Fun); {
			case name == "time.Sleep":
				say(n.Pos(), "time.Sleep: wait on a timer and ctx.Done()")
			case (name == "strings.Contains" || name == "strings.HasPrefix" || name == "strings.HasSuffix") && isErrorText(n.Args[0]):
				say(n.Pos(), "an error told by its text")
			}
		case *ast.BinaryExpr:
			if (n.Op == token.EQL || n.Op == token.NEQ) && (isSentinel(n.X) || isSentinel(n.Y)) {
				say(n.Pos(), "an error compared: use errors.Is")
			}
		case *ast.TypeAssertExpr:
			if dotted(n.X) == "err" {
				say(n.Pos(), "the type of an error: use errors.As")
			}
		}
		return true
	})
	return broken
}

// mayExec reports the rooms that may start programs.
func mayExec(path string) bool {
	return strings.Contains(path, "/cmd/bench/") || strings.Contains(path, "/cmd/release/") || strings.Contains(path, "/cmd/loadscribe/service/")
}

// dotted is a name, or a name of a package.
func dotted(e ast.Expr) string {
	switch e := e.(type) {
	case *ast.Ident:
		return e.Name
	case *ast.SelectorExpr:
		if x, ok := e.X.(*ast.Ident); ok {
			return x.Name + "." + e.Sel.Name
		}
	}
	return ""
}

// isSentinel reports io.EOF and what is named as errors are: ErrFew, store.ErrLocked.
func isSentinel(e ast.Expr) bool {
	name := dotted(e)
	last := name[strings.LastIndexByte(name, '.')+1:]
	return name == "io.EOF" || len(last) > 3 && strings.HasPrefix(last, "Err") && ast.IsExported(last[3:])
}

// isErrorText reports err.Error().
func isErrorText(e ast.Expr) bool {
	call, ok := e.(*ast.CallExpr)
	return ok && dotted(call.Fun) == "err.Error"
}
