package dashboard

import (
	"bufio"
	"errors"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io"
	"net"
	"net/http"
	"net/url"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// crooked are ways to name a file that is not there for the asker: after the
// OWASP page on path traversal (from memory), and Windows' own names.
func crooked() []string {
	targets := []string{"go.mod", "etc/passwd", "windows/win.ini", "agent.json"}
	ups := []string{"../", "..%2f", "%2e%2e/", "%2e%2e%2f", "..\\", "..%5c", "%2e%2e%5c", "..%252f", "%252e%252e%252f", "..%c0%af", "%c0%ae%c0%ae/", "....//", "..;/", "..%00/"}
	var all []string
	for _, up := range ups {
		for _, target := range targets {
			all = append(all, strings.Repeat(up, 8)+target, "assets/"+strings.Repeat(up, 3)+target)
		}
	}
	return append(all, "%2fetc/passwd", "/etc/passwd", "//etc/passwd", "\\etc\\passwd", "C:/windows/win.ini", "C:%5cwindows%5cwin.ini", "file:///etc/passwd",
		"%5c%5c192.0.2.1%5cshare%5cx", "//192.0.2.1/share/x", "con", "aux.html", "nul", "com1", "lpt1.js", "CON.html", "index.html::$DATA", "index.html%00.js", "index.html.", "index.html%20",
		".git/config", ".env", "/evil.example", "/evil.example/..", "\\evil.example", "%5cevil.example/%2e%2e", "%09/evil.example", "%0d%0aSet-Cookie:%20a=b", "%0d%0a%0d%0a<script>")
}

// No path and no parameter gives a file that is not a page, nor sends a browser to
// another host, nor puts a header into the answer.
func TestPathTricks(t *testing.T) {
	s := newCommandShopServer(t, &commandShop{shop: newShop()}, Options{Secret: "0123abcd"})
	r := run(t, s)
	var targets []string
	for _, c := range crooked() {
		targets = append(targets, "/"+c)
		for _, of := range []string{"/api/v1/report/file?id=5f&name=", "/api/v1/text?hash=", "/api/v1/export?from=-1d&format=evidence&checkpoint=", "/api/v1/registers?device=", "/api/v1/replay?id="} {
			targets = append(targets, of+strings.NewReplacer("#", "%23", " ", "%20", "<", "%3c", ";", "%3b", "&", "%26").Replace(c))
		}
	}
	for _, target := range targets {
		conn, err := net.Dial("tcp", r.addr)
		if err != nil {
			t.Fatal(err)
		}
		fmt.Fprintf(conn, "GET %s HTTP/1.1\r\nHost: 127.0.0.1\r\nAuthorization: Bearer 0123abcd\r\nConnection: close\r\n\r\n", target)
		answer, err := http.ReadResponse(bufio.NewReader(conn), nil)
		if err != nil {
			t.Fatalf("%s: %v", target, err)
		}
		text, err := io.ReadAll(answer.Body)
		if err := errors.Join(err, conn.Close()); err != nil {
			t.Fatal(err)
		}
		switch {
		case answer.StatusCode == http.StatusTemporaryRedirect || answer.StatusCode == http.StatusMovedPermanently:
			to, err := url.Parse(answer.Header.Get("Location"))
			if err != nil || to.IsAbs() || to.Host != "" || !strings.HasPrefix(to.Path, "/") || len(to.Path) > 1 && strings.ContainsAny(to.Path[1:2], `/\`) {
				t.Errorf("%s sends to %q", target, answer.Header.Get("Location"))
			}
		case answer.StatusCode < 400 || answer.StatusCode == 500:
			t.Errorf("%s is answered with %s: %.80s", target, answer.Status, text)
		}
		if len(answer.Cookies()) > 0 || strings.Contains(string(text), "module loadscribe") || strings.Contains(string(text), "root:") {
			t.Errorf("%s gives %.200s, cookies %v", target, text, answer.Cookies())
		}
	}
}

// This package opens no file by name: what it serves is in the binary, or the agent
// has it open. The source is read, since no list of requests can show it.
func TestNoFileIsNamedByARequest(t *testing.T) {
	files, err := filepath.Glob("*.go")
	if err != nil || len(files) == 0 {
		t.Fatalf("no source: %v", err)
	}
	read := 0
	for _, name := range files {
		if strings.HasSuffix(name, "_test.go") {
			continue
		}
		read++
		tree, err := parser.ParseFile(token.NewFileSet(), name, nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		for _, found := range opens(tree) {
			t.Errorf("%s uses %s: serve what is open or built in", name, found)
		}
	}
	if read < 20 {
		t.Errorf("%d files read", read)
	}
	tree, err := parser.ParseFile(token.NewFileSet(), "", `package x; import "os"; import "net/http"; func f() { os.Open(""); http.ServeFile(nil, nil, "") }`, 0)
	if err != nil {
		t.Fatal(err)
	}
	if got := opens(tree); !slices.Equal(got, []string{"os", "http.ServeFile"}) {
		t.Errorf("this test finds %v", got)
	}
}

// opens are the ways to a file that a source has.
func opens(tree *ast.File) (found []string) {
	for _, imported := range tree.Imports {
		if path := strings.Trim(imported.Path.Value, `"`); path == "os" || path == "io/ioutil" || path == "syscall" {
			found = append(found, path)
		}
	}
	ast.Inspect(tree, func(n ast.Node) bool {
		call, ok := n.(*ast.SelectorExpr)
		if !ok {
			return true
		}
		of, ok := call.X.(*ast.Ident)
		if ok && of.Name == "http" && slices.Contains([]string{"ServeFile", "ServeFileFS", "FileServer", "FileServerFS", "Dir"}, call.Sel.Name) {
			found = append(found, "http."+call.Sel.Name)
		}
		return true
	})
	return found
}
